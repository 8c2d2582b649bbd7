"""Named points filled in or made symmetrical on request: copied from the other side, or the mean of both."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from barerail.records import Array, MountPoint, Note, Pair
from barerail.stages.points.pairs import MIRROR
from barerail.stages.points.place import SIDELESS, positive
from barerail.stages.points.wanted import OTHER

FROM = {"left-to-right": "L", "right-to-left": "R"}


@dataclass(frozen=True)
class Symmetrised:
    """All points, those that were changed or added among them, and what to tell the user."""

    points: tuple[MountPoint, ...]
    notes: tuple[Note, ...]


def symmetrised(
    points: Iterable[MountPoint], pairs: Iterable[Pair], named: Iterable[str], unseen: Iterable[str], how: str
) -> Symmetrised:
    """`how`: left-to-right, right-to-left or average, for the points that the user `named` and their partners.

    A copied point is its source mirrored in y = 0, U and all: U holds nothing for how far the two sides differ. The
    mean of both is taken where both were measured; its covariance is the mean of theirs, which no correlation of the
    two can exceed. What was measured stays beside it in `measured`. unseen: names of holes seen on opposite faces only,
    a sheet's thickness apart, which have no mean.
    """
    at = {p.name: p for p in points}
    known, apart = {p.left: p.difference for p in pairs}, set(unseen)
    made: list[str] = []
    left_out: list[str] = []
    for left, right in _both_sides(named, at):
        a, b = at.get(left), at.get(right)
        if how == "average":
            done = _mean(a, b, known.get(left)) if left not in apart else ()
        else:
            source, target, name = (a, b, right) if FROM[how] == "L" else (b, a, left)
            fit = source is not None and source.state == "measured" and (target is None or target.kind == source.kind)
            done = _copied(source, target, name) if source and fit else ()
        at |= {p.name: p for p in done}
        made += [p.name for p in done if p.state != "measured"]
        left_out += [] if done else [f"{left} and {right}"]
    return Symmetrised(tuple(at.values()), tuple(_notes(how, made, left_out)))


def _both_sides(named: Iterable[str], at: Mapping[str, MountPoint]) -> list[tuple[str, str]]:
    """Names (left, right) of the named points and their other sides: by the name's ending, else by the partner."""
    found = {}
    for name in named:
        p, ending = at[name], name[-2:]
        other = name[:-2] + OTHER[ending] if ending in OTHER else p.partner
        if other:
            left = name if (ending if ending in OTHER else f"-{p.side}") == "-L" else other
            found[left] = (left, other if left == name else name)
    return list(found.values())


def _copied(source: MountPoint, target: MountPoint | None, name: str) -> tuple[MountPoint, ...]:
    """The source, and its mirror image in place of the target."""
    seen = target if target is not None and target.state == "measured" else None
    image = _image(source)
    if seen:
        far = float(np.linalg.norm(image.position - seen.position))
        told = f"copied from {source.name}; measured {far:.2f} mm from there"
    else:
        told = f"copied from {source.name}; " + (target.note if target and target.note else "not seen on this side")
    copy = replace(
        image, name=name, partner=source.name, state="mirrored", measured=seen, note=told,
        feature=seen.feature if seen else -1, tubes=seen.tubes if seen else (),
    )  # fmt: skip
    both = (replace(source, partner=name), copy)
    return _signed(both) if source.kind in SIDELESS else both


def _mean(a: MountPoint | None, b: MountPoint | None, difference: Array | None) -> tuple[MountPoint, ...]:
    """Both points at their mean, the right one mirrored; none where one wasn't measured."""
    if a is None or b is None or {a.state, b.state} != {"measured"} or a.kind != b.kind:
        return ()
    image = _image(b)
    half = (image.position - a.position if difference is None else difference) / 2
    axis = a.axis + image.axis * (1.0 if a.axis @ image.axis >= 0 else -1.0)
    length = float(np.linalg.norm(axis))
    left = replace(
        a, position=a.position + half, axis=axis / length if length > 0 else a.axis, ends=a.ends + half,
        cov=(a.cov + image.cov) / 2, cov_local=(a.cov_local + image.cov_local) / 2,
        cov_axis=(a.cov_axis + image.cov_axis) / 2, by_datum=(a.by_datum + image.by_datum) / 2,
        state="averaged", measured=a, partner=b.name,
    )  # fmt: skip
    right = replace(_image(left), name=b.name, partner=a.name, feature=b.feature, measured=b, tubes=b.tubes)
    detail = b.detail if b.kind == "sleeve" else right.detail
    sized = replace(
        right, diameter=b.diameter, u_diameter=b.u_diameter, length=b.length, u_length=b.u_length, detail=detail
    )  # fmt: skip
    told = f"each side moved {float(np.linalg.norm(half)):.2f} mm to the mean of both"
    return (replace(left, note=_joined(told, a.note)), replace(sized, note=_joined(told, b.note)))


def _joined(*notes: str) -> str:
    return "; ".join(filter(None, notes))


def _image(p: MountPoint) -> MountPoint:
    """The point mirrored in y = 0, on the other side."""
    s = np.diag(MIRROR)
    return replace(
        p, side={"L": "R", "R": "L"}.get(p.side, p.side), position=p.position * MIRROR, axis=p.axis * MIRROR,
        along=p.along * MIRROR, ends=p.ends * MIRROR, cov=s @ p.cov @ s, cov_local=s @ p.cov_local @ s,
        cov_axis=s @ p.cov_axis @ s, by_datum=s @ p.by_datum,
    )  # fmt: skip


def _signed(both: tuple[MountPoint, MountPoint]) -> tuple[MountPoint, ...]:
    """Axes without a side of their own: the left one's largest component positive, the right one its mirror image."""
    left = max(both, key=lambda p: p.position[1])
    axis = positive(left.axis[None])[0]
    return tuple(replace(p, axis=axis if p is left else axis * MIRROR) for p in both)


def _notes(how: str, made: list[str], left_out: list[str]) -> Iterator[Note]:
    if made:
        words = "the mean of both sides" if how == "average" else f"copied {how.replace('-', ' ')}"
        text = f"--mirror {how}: {words}, not as measured: {', '.join(made)}"
        yield Note("points", text, len(made), warning=True)
    if left_out:
        text = f"--mirror {how}: left as they are, not measured where it is taken from: {', '.join(left_out)}"
        yield Note("points", text, len(left_out), warning=True)
