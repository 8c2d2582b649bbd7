"""What one export writes: the files asked for, in the axes, unit and ride height asked for."""

from collections.abc import Callable

from barerail.errors import UsageError
from barerail.outputs import axis_table, dxf, mesh, mesh_scene, step, table, thin
from barerail.outputs.cells import Style
from barerail.outputs.naming import file_stem
from barerail.outputs.view import Ride, View, scaled, seen
from barerail.records import CleanScan, Datum, Features, MountPoints, Note, Scan, Written
from barerail.settings import ExportSettings

TABLES = {"csv": "points", "json": "points", "axes": "bolt-axes"}
MESHES = ("stl", "obj", "glb")
FOLDER = "export"


def export(
    clean: CleanScan,
    features: Features,
    datum: Datum,
    points: MountPoints,
    settings: ExportSettings,
    only: str = "",
) -> Written:
    """The files of `settings.formats`. UsageError for half a ride height, a mesh of a cloud that was asked for alone.

    only: the pick list that `points` are, which then stands in their files' names. Tables come in the unit asked for;
    DXF, STEP, PLY, STL and OBJ are always in mm, GLB in m, as their readers expect.
    """
    scan, view = clean.scan, _view(settings)
    turned, car = seen(points, datum, view)
    style = Style(settings.unit, settings.decimal)
    listed = scaled(turned, style.unit)
    formats = [f for f in settings.formats if f not in MESHES or scan.triangles is not None]
    if not formats:
        raise UsageError(f"the scan is a point cloud: {', '.join(settings.formats)} hold triangles; ask for ply")
    thinner = thin.thinned(clean, settings.thin_to) if {"ply", *MESHES} & set(formats) else scan
    makers: dict[str, Callable[[], bytes]] = {
        "csv": lambda: table.points_csv(listed, car, style),
        "json": lambda: table.points_json(listed, car, style),
        "axes": lambda: axis_table.bolt_axes_csv(listed, car, style),
        "dxf": lambda: dxf.points_dxf(turned, car),
        "step": lambda: step.points_step(turned, features, car),
        "ply": lambda: mesh.chassis_ply(thinner, car),
        "stl": lambda: mesh.chassis_stl(thinner, car),
        "obj": lambda: mesh_scene.chassis_obj(thinner, car),
        "glb": lambda: mesh_scene.chassis_glb(thinner, car),
    }
    part = f"-{file_stem(only, 'call the list otherwise')}" if only else ""
    files = {_name(f, part, view, datum, settings): makers[f]() for f in formats}
    return Written(files, _notes(scan, thinner, settings, len(formats)))


def _view(settings: ExportSettings) -> View:
    given = (settings.ride_front, settings.ride_rear)
    if (given[0] is None) != (given[1] is None):
        raise UsageError("a ride height takes two stations: give --ride-front X,HEIGHT and --ride-rear X,HEIGHT")
    ride = Ride(given[0], given[1]) if given[0] and given[1] else None
    return View("" if settings.axes == "datum" else settings.axes, ride)


def _name(form: str, part: str, view: View, datum: Datum, settings: ExportSettings) -> str:
    if form in TABLES:
        return f"{FOLDER}/{TABLES[form]}{part}{view.suffix(datum, settings.unit)}.{'json' if form == 'json' else 'csv'}"
    if form in ("dxf", "step"):
        return f"{FOLDER}/points{part}{view.suffix(datum, 'mm')}.{form}"
    thinned = "-thinned" if settings.thin_to else ""
    return f"{FOLDER}/chassis{thinned}{view.ride_suffix() if form == 'glb' else view.suffix(datum, 'mm')}.{form}"


def _notes(scan: Scan, thinner: Scan, settings: ExportSettings, count: int) -> tuple[Note, ...]:
    notes = []
    if thinner is not scan:
        of, what = (scan.points, "points") if scan.triangles is None else (scan.triangles, "triangles")
        left = thinner.points if thinner.triangles is None else thinner.triangles
        notes.append(Note("export", f"the scan is thinned from {len(of)} to {len(left)} {what}"))
    if count < len(settings.formats):
        left_out = ", ".join(f for f in settings.formats if f in MESHES)
        notes.append(Note("export", f"no {left_out}: the scan is a point cloud"))
    return tuple(notes)
