"""The report: one HTML file that opens offline, with the scan in 3D, the points, the tables and what to check."""

import json
from collections import Counter
from collections.abc import Sequence
from importlib import resources
from math import isfinite
from typing import Any

import numpy as np

from barerail.outputs import groups
from barerail.outputs.checks import NOT_CHECKED, check_words, scale_words
from barerail.outputs.datum_words import datum_words
from barerail.outputs.empty import empty_by_mirror
from barerail.outputs.header import header_fields
from barerail.outputs.joints import at_joints
from barerail.outputs.page_checks import hand_checks
from barerail.outputs.page_gaps import gap_spots, gap_traces
from barerail.outputs.page_scan import packed, shown
from barerail.outputs.page_straight import straight_figure
from barerail.outputs.page_tables import (
    assumptions,
    bay_rows,
    dropped,
    facts,
    measure_rows,
    pair_rows,
    point_rows,
    setting_rows,
    station_rows,
)
from barerail.outputs.page_view import MARKS, SIDES, arrow_ends, point_cards, traces
from barerail.outputs.sides import one_sided
from barerail.outputs.unseen import empty_words, more_words, unseen_faces
from barerail.outputs.words import ASSUMED, AXES, CAUTIONS, axes_words, fixed, meanings, rounded_up, sits_words, stamp
from barerail.records import Array, Check, CleanScan, Datum, Features, MountPoints, Straightness
from barerail.settings import ReportSettings

VIEW = ("vector", "scan", "camera", "tags", "fingers", "report")
"""Scripts of the 3D view, in their order."""


def report_html(
    clean: CleanScan,
    features: Features,
    datum: Datum,
    points: MountPoints,
    straightness: Straightness,
    settings: ReportSettings,
    title: str,
    check: Check = NOT_CHECKED,
) -> bytes:
    """The page as UTF-8 bytes: everything inside, nothing fetched, the same input the same bytes.

    The scan is thinned to settings.page_triangles, whole around the features; numbers come from the records alone.
    """
    found, points = points, at_joints(points)
    kinds = Counter(p.kind for p in points.points)
    drawn = view_data(clean, features, datum, points, settings)
    empties = empty_by_mirror(clean, features, datum)
    drawn["traces"] += gap_traces(empties, datum.car_from_scan)
    drawn["spots"] = gap_spots(empties, datum.car_from_scan)
    return page_html(
        "report.html.j2",
        {
            "view": drawn,
            "straight": straight_figure(straightness, datum) if straightness.stations else None,
            "naming": {"header": naming_lines(datum), "scan": scan_key(clean)},
        },
        scripts=("naming",),
        title=title,
        stamp=stamp(datum),
        unchecked="" if check.state == "passed" else scale_words(check),
        measured=check_words(check) if check.rows else "",
        axes=axes_words(datum),
        datum=datum_words(datum),
        facts=facts(clean, datum, found, straightness),
        assumptions=assumptions(clean, datum),
        unseen=unseen_faces(features, datum),
        empties=empty_words(empties, features, datum, points.points),
        more=more_words(empties),
        checks=hand_checks(points.points, features.noise),
        cautions=CAUTIONS,
        kinds=[(kind, kinds[kind], *MARKS[kind]) for kind in MARKS if kinds[kind]],
        sides=SIDES if points.points else {},
        marks=MARKS,
        points=point_rows(points),
        pairs=pair_rows(points),
        patterns=groups.groups_words(points),
        alone=[p.name for p in one_sided(points)],
        measures=measure_rows(straightness),
        meanings=meanings(straightness),
        straight=straightness,
        stretched=isfinite(straightness.from_x_mm),
        sits=sits_words(straightness),
        straight_assumed=[ASSUMED.get(key, key) for key in straightness.assumed],
        stations=station_rows(straightness),
        bays=bay_rows(straightness),
        dropped=dropped(clean, features, datum, points, straightness),
        settings=setting_rows(clean, features, settings),
    )


def page_html(template: str, data: dict[str, Any], scripts: Sequence[str] = (), **values: Any) -> bytes:
    """A page with the 3D view: `data` for its scripts, further `scripts` in their order, `values` for the template."""
    from markupsafe import Markup

    return template_html(
        template,
        scripts=[Markup(_text("barerail.outputs", f"templates/{name}.js")) for name in (*VIEW, *scripts)],
        plotly=Markup(_text("plotly", "package_data/plotly.min.js")),
        data=Markup(_json(data)),
        **values,
    )


def template_html(template: str, **values: Any) -> bytes:
    """A template filled in, everything escaped but the page's own style and scripts."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    pages = Environment(
        loader=PackageLoader("barerail.outputs"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.filters["up"] = lambda u, decimals: fixed(rounded_up(u, decimals), decimals)
    style = Markup(_text("barerail.outputs", "templates/report.css"))
    return pages.get_template(template).render(style=style, **values).encode()


def naming_lines(datum: Datum) -> list[str]:
    """Header of the names file that the page makes: unit, axes and datum."""
    fields = header_fields("names", datum)
    return [f"{key}: {fields[key]}" for key in ("file", "tool", "unit", "axes", "origin", "method")]


def scan_key(clean: CleanScan) -> str:
    """What sets the names that a browser keeps for this scan apart from those for another: its files' hashes."""
    return "+".join(source.sha256[:16] for source in clean.scan.sources)


def view_data(
    clean: CleanScan, features: Features, datum: Datum, points: MountPoints, settings: ReportSettings
) -> dict[str, Any]:
    """JSON of the 3D view: the packed scan, the box shown (car axes, mm), traces, points and the datum's words."""
    scan = shown(clean, datum, points.points, settings.page_triangles)
    low, high = box(scan.xyz, points)
    cards = point_cards(points, np.median(scan.xyz, axis=0))
    words = AXES[datum.axes]
    tags = [{"text": word, "at": end.tolist()} for word, end in zip(words, arrow_ends(low, high))]
    return {
        "scan": packed(scan),
        "low": low.tolist(),
        "high": high.tolist(),
        "traces": traces(features, datum, points, cards, low, high),
        "points": cards,
        "datum": [*tags, {"text": "origin", "at": [0.0, 0.0, 0.0]}],
        "axes": list(words),
        "turned": datum.axes == "iso4130",
    }


def box(xyz: Array, points: MountPoints) -> tuple[Array, Array]:
    """Low and high corner (3,) of all that is shown, the origin too, in whole mm with 20 mm to spare."""
    places = [p.position for p in points.points if np.isfinite(p.position).all()]
    everything = np.vstack([xyz.min(axis=0), xyz.max(axis=0), np.zeros(3), *places])
    return np.floor(everything.min(axis=0)) - 20, np.ceil(everything.max(axis=0)) + 20


def _text(package: str, path: str) -> str:
    return resources.files(package).joinpath(path).read_text(encoding="utf-8")


def _json(value: Any) -> str:
    """JSON that may stand in a script element: no `<` can end it."""
    text = json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
