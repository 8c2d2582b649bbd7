"""What tests of given names share: the points stage on made-up features, and what became of each name."""

from points_case import (
    a_datum,
    left_side,
    scanned,
    wanted,
)

from barerail.records import MountPoints, Wanted
from barerail.settings import PointsSettings
from barerail.stages.points import points


def run(found, names, rails=()) -> MountPoints:
    return points(scanned(found, rails), a_datum(), names, PointsSettings())


def given(made: MountPoints) -> dict[str, int]:
    """Feature of each name, -1 for a missing one."""
    return {p.name: p.feature for p in made.points}


def state(made: MountPoints, name: str) -> tuple[str, str]:
    return next((p.state, p.note) for p in made.points if p.name == name)


def all_names(found, moved=(0, 0, 0)) -> list[Wanted]:
    n = len(left_side())
    names = [f"p{i % n}-{'LR'[i // n]}" if i < 2 * n else f"m{i}" for i in range(len(found))]
    return [wanted(name, f, row=i + 2, moved=moved) for i, (name, f) in enumerate(zip(names, found))]


def warnings(made: MountPoints) -> str:
    return " | ".join(n.text for n in made.notes if n.warning)
