"""All scans placed: each on one that is placed already, then every other pair that shares enough asked as well."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from barerail.errors import DataError
from barerail.geometry.frames import invert
from barerail.geometry.registration.agreement import agreement
from barerail.geometry.registration.search import refined
from barerail.records import Array, CommonPoint, Progress
from barerail.settings import JoinSettings
from barerail.stages.join.common import of_pair
from barerail.stages.join.graph import Link
from barerail.stages.join.place import Member, as_they_lie, asserted, by_overlap, by_points, linked, spread

CONTRADICT = -0.1
"""Score of two placed scans below which one of them must lie wrong (judgement)."""


def chain(
    members: Sequence[Member], settings: JoinSettings, common: Sequence[CommonPoint], progress: Progress
) -> list[Link]:
    """One link a scan to a scan placed before it, the first scan's first; DataError where one finds no place."""
    links: list[Link] = []
    placed, waiting = [members[0]], list(members[1:])
    refused: dict[tuple[int, int], DataError] = {}
    while waiting:
        link = next(filter(None, (_place(m, placed, settings, common, refused) for m in waiting)), None)
        if link is None:
            raise next(error for (_, second), error in refused.items() if second == waiting[0].row)
        links.append(link)
        placed.append(members[link.second])
        waiting = [m for m in waiting if m.row != link.second]
        progress(0.1 + 0.8 * len(links) / (len(members) - 1))
    return links


def _place(
    member: Member,
    placed: Sequence[Member],
    settings: JoinSettings,
    common: Sequence[CommonPoint],
    refused: dict[tuple[int, int], DataError],
) -> Link | None:
    """A scan's link to one of those placed; None, and why in `refused`, where there is none yet."""
    if settings.method == "frame":
        return asserted(placed[0], member)
    for other in placed:
        if (link := as_they_lie(other, member, settings)) is not None:
            return link
    most = max(placed, key=lambda other: len(of_pair(common, other.source, member.source)[0]))
    if (link := by_points(most, member, common, settings)) is not None:
        return link
    for other in placed:
        if (other.row, member.row) not in refused:
            try:
                return linked(other, member, by_overlap(other, member, settings).pose, "overlap")
            except DataError as error:
                refused[other.row, member.row] = error
    return None


def along(links: Sequence[Link], count: int) -> list[Array]:
    """Pose (4, 4) of each scan in the first one's axes, link by link."""
    poses = [np.eye(4)] * count
    for link in links:
        poses[link.second] = poses[link.first] @ link.pose
    return poses


def others(
    members: Sequence[Member], poses: Sequence[Array], tree: Sequence[Link], settings: JoinSettings
) -> list[Link]:
    """Links of all other pairs that share enough where they lie now. DataError where two contradict each other."""
    known = {frozenset((link.first, link.second)) for link in tree}
    pairs = [(a, b) for a, b in combinations(members, 2) if frozenset((a.row, b.row)) not in known]
    found = [_asked(a, b, invert(poses[a.row]) @ poses[b.row], settings) for a, b in pairs]
    return [link for link in found if link is not None]


def _asked(a: Member, b: Member, pose: Array, settings: JoinSettings) -> Link | None:
    sd = spread(a.surface, b.surface)
    here = refined(a.surface, b.surface, pose, sd)
    if agreement(a.surface, b.surface, pose, 2 * sd, 6000).score < CONTRADICT and here.agreement.score < CONTRADICT:
        raise DataError(
            f"{a.name} and {b.name} contradict each other where the other scans put them: leave one out, or give "
            "common points (--common)"
        )
    if here.agreement.share < settings.min_overlap or here.agreement.score <= 0:
        return None
    try:
        return linked(a, b, here.pose, "overlap")
    except DataError:
        return None
