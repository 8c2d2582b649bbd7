"""Pick lists: the points that a job is about, by kind, face, name and zone."""

from collections.abc import Sequence
from fnmatch import fnmatchcase

from barerail.errors import UsageError
from barerail.records import MountPoint, MountPoints
from barerail.settings import OnlySettings, PickRule

ALL = "all"


def rules_of(lists: OnlySettings, name: str) -> tuple[PickRule, ...]:
    """The rules of the list `name`; UsageError for a list that isn't there."""
    known = {key: tuple(getattr(lists, key)) for key in (*type(lists).model_fields, *(lists.model_extra or {}))}
    if name == ALL:
        return (PickRule(),)
    if name not in known:
        raise UsageError(f"--only {name}: the lists are {', '.join((*known, ALL))}; make your own under [only]")
    return known[name]


def picked(points: MountPoints, rules: Sequence[PickRule]) -> MountPoints:
    """The points that any rule takes, in their order, and the pairs, hole patterns and bent tubes that are whole."""
    kept = tuple(p for p in points.points if any(_takes(rule, p) for rule in rules))
    names = {p.name for p in kept}
    pairs = tuple(p for p in points.pairs if {p.left, p.right} <= names)
    groups = tuple(g for g in points.groups if names.issuperset(g.holes))
    bent = tuple(b for b in points.bent if names.issuperset(b.names))
    return MountPoints(kept, pairs, points.notes, groups, bent=bent)


def _takes(rule: PickRule, p: MountPoint) -> bool:
    zone = ((low_high, v) for low_high, v in zip((rule.x_mm, rule.y_mm, rule.z_mm), p.position) if low_high)
    return (
        (not rule.kinds or p.kind in rule.kinds)
        and (not rule.faces or p.face in rule.faces)
        and (not rule.names or any(_named(pattern, p) for pattern in rule.names))
        and all(low <= v <= high for (low, high), v in zone)
    )


def _named(pattern: str, p: MountPoint) -> bool:
    return any(fnmatchcase(name.lower(), pattern.lower()) for name in (p.name, p.group) if name)
