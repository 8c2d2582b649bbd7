"""The commands about labelled points: find and name them, write them for other programs."""

from barerail.doing import do
from barerail.options import (
    Decimal,
    Formats,
    JobFolder,
    MirrorHow,
    NamesFile,
    Only,
    OutAxes,
    OutUnit,
    Quiet,
    Require,
    RideFront,
    RideRear,
    SettingsFile,
    ThinTo,
)


def points(
    job: JobFolder,
    settings: SettingsFile = None,
    names: NamesFile = None,
    require: Require = False,
    mirror: MirrorHow = None,
    only: Only = "",
    quiet: Quiet = False,
) -> None:
    """Place the mounting points in the car, match left to right, and name them.

    --only shows a part of them; points.csv holds them all.

    \b
    barerail points --job frame --names pickups.csv --require
    barerail points --job frame --names pickups.csv --mirror left-to-right
    """
    do("points", job, quiet, {"points.mirror": mirror}, settings=settings, names=names, require=require, only=only)


def export(
    job: JobFolder,
    settings: SettingsFile = None,
    formats: Formats = None,
    axes: OutAxes = None,
    unit: OutUnit = None,
    decimal: Decimal = None,
    ride_front: RideFront = None,
    ride_rear: RideRear = None,
    thin_to: ThinTo = None,
    only: Only = "",
    quiet: Quiet = False,
) -> None:
    """Write the points as CSV, JSON, DXF and STEP, and the scan in car axes.

    Axes, unit and ride height are of these files only: they stand in their names and headers, and the datum stays.

    \b
    barerail export --job frame
    barerail export --job frame --axes iso4130 --unit in --format csv,axes
    barerail export --job frame --axes j670
    barerail export --job frame --ride-front 1200,150 --ride-rear=-1300,170
    barerail export --job frame --only suspension --format csv,step
    barerail export --job frame --format glb --thin-to 200000
    """
    asked = {"formats": formats, "axes": axes, "unit": unit, "decimal": decimal, "thin_to": thin_to}
    asked |= {"ride_front": ride_front, "ride_rear": ride_rear}
    do("export", job, quiet, settings=settings, only=only, asked={key: v for key, v in asked.items() if v})
