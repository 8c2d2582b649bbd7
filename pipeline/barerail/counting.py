"""What is worth telling of a stage's result in numbers."""

import math
from collections import Counter
from collections.abc import Mapping
from typing import Any

from barerail.records import KINDS, Written

PLURAL = {"bolt-axis": "bolt-axes"}


def counted(stage: str, record: Any) -> dict[str, float]:
    """What is worth telling of a stage's result in numbers; names end in _mm where they are lengths."""
    match stage:
        case "read":
            triangles = {} if record.triangles is None else {"triangles": len(record.triangles)}
            scans = {"scans": len(record.sources)} if len(record.sources) > 1 else {}
            return {**scans, "points": len(record.points), **triangles}
        case "join":
            return {"scans": len(record.sources), "pairs": len(record.joints)}
        case "clean":
            lengths = {"cell_mm": record.voxel_mm, "spacing_mm": record.spacing_mm, "noise_mm": record.noise_mm}
            return {"thinned points": len(record.thin), **{k: v for k, v in lengths.items() if math.isfinite(v)}}
        case "fit":
            kinds = Counter(f.kind for f in record.found)
            found = {PLURAL.get(kind, f"{kind}s"): kinds[kind] for kind in KINDS if kinds[kind]}
            stations = sum(len(rail.stations) for rail in record.rails)
            return {"planes": len(record.planes), **found, "rails": len(record.rails), "rail stations": stations}
        case "points" | "constructions":
            patterns = {"hole patterns": len(record.groups)} if record.groups else {}
            return {"points": len(record.points), "pairs": len(record.pairs), **patterns}
        case "straightness":
            return {"stations": len(record.stations), "used": sum(s.used for s in record.stations)}
        case "datum":
            return {"assumed": len(record.assumed)}
        case "check":
            return {"lengths": len(record.rows), "agree": sum(row.agrees for row in record.rows)}
        case _ if isinstance(record, Written) and stage != "report":
            return {"files": len(record.files)}
    return {}


def in_words(counts: Mapping[str, float]) -> str:
    """Counts in words: `993228 points, 1 rail, spacing 2.01 mm`."""
    one = {plural: kind for kind, plural in PLURAL.items()}

    def words(name: str, value: float) -> str:
        if name.endswith("_mm"):
            return f"{name.removesuffix('_mm')} {value:.3g} mm"
        return f"{value:.0f} {name if value != 1 else one.get(name, name.removesuffix('s'))}"

    return ", ".join(words(name, value) for name, value in counts.items())
