"""What tests of points share: the points stage on made-up features, told by feature."""

from points_case import (
    POSE,
    a_datum,
    rail,
    scanned,
)

from barerail.records import MountPoint, MountPoints
from barerail.settings import PointsSettings
from barerail.stages.points import points

SETTINGS = PointsSettings()

RAILS = [rail(430.0), rail(-430.0)]


def run(found, rails=(), pose=POSE) -> MountPoints:
    return points(scanned(found, rails, pose), a_datum(pose), (), SETTINGS)


def by_feature(made: MountPoints) -> dict[int, MountPoint]:
    return {p.feature: p for p in made.points if p.feature >= 0}
