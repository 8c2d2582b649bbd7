"""Hole patterns of parts: a CSV of holes, or the circles of a DXF."""

import io
from pathlib import Path

import numpy as np

from barerail.errors import UsageError
from barerail.records import PatternHole
from barerail.store.tables import number, raw, rows

SUFFIXES = (".csv", ".dxf")
MM_PER_DXF = {0: 1.0, 1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}
"""$INSUNITS: no unit (taken as mm), in, ft, mm, cm, m."""


def pattern(path: Path, layer: str = "") -> tuple[PatternHole, ...]:
    """Holes of a part. CSV: x_mm, y_mm, diameter_mm, and z_mm, name, point where they are given; DXF: CIRCLEs.

    layer: of a DXF, only that one's circles. UsageError that names the line, or what the file lacks.
    """
    data = raw(path, "hole pattern")
    match path.suffix.lower():
        case ".csv":
            return _from_csv(data, path.name)
        case ".dxf":
            return _from_dxf(data, path.name, layer)
    raise UsageError(f"{path.name}: a hole pattern is a .csv of holes or a .dxf with circles")


def _from_csv(data: bytes, file: str) -> tuple[PatternHole, ...]:
    found: list[PatternHole] = []
    for row, cells in rows(data, file, ("x_mm", "y_mm", "diameter_mm")):
        place = f"{file} line {row}"
        x, y, d = (number(cells[key], key, place) for key in ("x_mm", "y_mm", "diameter_mm"))
        z = number(cells["z_mm"], "z_mm", place) if cells.get("z_mm") else 0.0
        if d <= 0:
            raise UsageError(f"{place}: diameter_mm is {d:g}: it must be more than 0")
        name = cells.get("name") or str(len(found) + 1)
        found.append(PatternHole(name, np.array([x, y, z]), d, cells.get("point", "")))
    return _checked(tuple(found), file)


def _from_dxf(data: bytes, file: str, layer: str) -> tuple[PatternHole, ...]:
    import ezdxf
    from ezdxf import recover

    try:
        document, _ = recover.read(io.BytesIO(data))
    except (OSError, ezdxf.DXFError) as error:
        raise UsageError(f"{file} is no DXF that can be read: {str(error).splitlines()[0]}") from error
    circles = [c for c in document.modelspace().query("CIRCLE") if not layer or c.dxf.layer == layer]
    layers = sorted({c.dxf.layer for c in document.modelspace().query("CIRCLE")})
    if not circles:
        has = f"; circles are on {', '.join(layers)}" if layers else ": holes must be CIRCLE entities"
        raise UsageError(f"{file} has no circles{f' on layer {layer}' if layer else ''}{has}")
    if not layer and len(layers) > 1:
        raise UsageError(f"{file} has circles on {', '.join(layers)}: say which with --layer")
    unit = document.header.get("$INSUNITS", 0)
    if unit not in MM_PER_DXF:
        raise UsageError(f"{file} states a unit ($INSUNITS {unit}) that isn't known here: save it in mm")
    k = MM_PER_DXF[unit]
    centres = [(np.array(tuple(c.ocs().to_wcs(c.dxf.center))) * k, 2 * c.dxf.radius * k) for c in circles]
    return _checked(tuple(PatternHole(str(i), at, d) for i, (at, d) in enumerate(centres, 1)), file)


def _checked(found: tuple[PatternHole, ...], file: str) -> tuple[PatternHole, ...]:
    for i, one in enumerate(found):
        for other in found[:i]:
            if one.name == other.name:
                raise UsageError(f"{file}: two holes are named {one.name}")
            if np.linalg.norm(one.at - other.at) < 0.5:
                raise UsageError(f"{file}: holes {other.name} and {one.name} lie on one place")
    return found
