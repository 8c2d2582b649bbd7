"""Bends put together to whole tubes."""

from collections.abc import Sequence

import numpy as np

from barerail.records import Array, BentTube, Feature, TubeBend


def chained(found: Sequence[Feature], bends: Sequence[TubeBend]) -> tuple[BentTube, ...]:
    """Chains of tubes of `found`, of bends in order of trust: each end of a tube goes on into one bend at most, and no
    tube closes on itself."""
    at: dict[tuple[int, bool], TubeBend] = {}
    first: dict[int, int] = {}
    for bend in bends:
        ends = [(i, at_high_end(found[i], bend)) for i in bend.between]
        one, two = (first.setdefault(i, i) for i in bend.between)
        if one != two and not any(e in at for e in ends):
            at |= dict.fromkeys(ends, bend)
            first |= {i: one for i, k in first.items() if k == two}
    starts = sorted({i for i, high in at if (i, not high) not in at})
    chains = [_walked(i, at) for i in starts]
    return tuple(_tube(found, tubes, run) for tubes, run in chains if tubes[0] < tubes[-1])


def at_high_end(f: Feature, bend: TubeBend) -> bool:
    """Whether a bend is at the end of a tube that its axis points to."""
    return bool((bend.arc.mean(axis=0) - f.point) @ f.axis > 0)


def _walked(start: int, at: dict[tuple[int, bool], TubeBend]) -> tuple[list[int], list[TubeBend]]:
    """Tubes and bends in order from a tube with a bend at one end only."""
    tubes, run = [start], []
    high = (start, True) in at
    while (bend := at.get((tubes[-1], high))) is not None:
        run.append(bend)
        a, b = bend.between
        tubes.append(b if tubes[-1] == a else a)
        high = at.get((tubes[-1], True)) is not bend
    return tubes, run


def _tube(found: Sequence[Feature], tubes: list[int], run: list[TubeBend]) -> BentTube:
    arcs = [b.arc if b.between[0] == i else b.arc[::-1] for i, b in zip(tubes, run)]
    path = [_far_end(found[tubes[0]], arcs[0][0]), *arcs, _far_end(found[tubes[-1]], arcs[-1][-1])]
    return BentTube(tuple(tubes), tuple(run), np.vstack(path))


def _far_end(f: Feature, at: Array) -> Array:
    return f.ends[[int(np.argmax(np.linalg.norm(f.ends - at, axis=1)))]]
