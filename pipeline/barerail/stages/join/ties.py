"""What joining leaves behind of itself: each pair's residual and gap, and how well each scan's pose is held."""

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from barerail.geometry.frames import invert, transform
from barerail.geometry.registration.agreement import agreement
from barerail.geometry.registration.align import partners
from barerail.records import Array, Joint, Note, Tie
from barerail.stages.join.graph import Link, miss
from barerail.stages.join.place import Member, spread

LITTLE = 0.01
"""Share of the smaller scan's surface under which two scans have nothing in common."""


def joint(members: Sequence[Member], link: Link, poses: Sequence[Array], chained: Sequence[Array] | None) -> Joint:
    """A pair at the final poses; with its gap to the poses `chained` by the others where it isn't of the chain."""
    a, b = members[link.first].surface, members[link.second].surface
    found = agreement(a, b, invert(poses[link.first]) @ poses[link.second], spread(a, b), 6000)
    joint = Joint(link.first, link.second, link.by, found.share, found.offset_mm)
    if chained is None:
        return joint
    off = miss(link, chained)
    gap = float(np.linalg.norm(off[:3])), float(np.degrees(np.linalg.norm(off[3:])))
    return Joint(link.first, link.second, link.by, found.share, found.offset_mm, *gap)


def middles(links: Sequence[Link], poses: Sequence[Array]) -> list[Array]:
    """Per scan the middle (3,) of what its first link to an earlier one shares, first scan's axes."""
    out = [np.zeros(3)] * len(poses)
    for link in reversed(links):
        out[max(link.first, link.second)] = transform(poses[link.first], link.about)
    return out


def ties(
    members: Sequence[Member],
    poses: Sequence[Array],
    covs: Sequence[Array],
    about: Sequence[Array],
    links: Sequence[Link],
) -> list[Tie | None]:
    """Per scan its tie; None for the first. `links`: the chain first, so that depth counts along it."""
    depth = [0] * len(members)
    for link in links[: len(members) - 1]:
        depth[link.second] = depth[link.first] + 1
    reach = [_reach(m, members, poses, links) for m in members]
    return [None, *(Tie(about[k], covs[k], reach[k], depth[k]) for k in range(1, len(members)))]


def _reach(member: Member, members: Sequence[Member], poses: Sequence[Array], links: Sequence[Link]) -> float:
    """How far, mm, the scan goes on from what it shares with scans it is linked to (99 % of its surface)."""
    own, rows = member.surface, member.surface.some(4000)
    shared = np.zeros(len(own.points), bool)
    for link in links:
        if member.row in (link.first, link.second):
            other = members[link.first + link.second - member.row]
            pose = invert(poses[other.row]) @ poses[member.row]
            shared[partners(other.surface, own, pose, 5 * spread(own, other.surface), rows).rows] = True
    if not shared.any():
        return float(np.linalg.norm(np.ptp(own.points, axis=0)))
    return float(np.quantile(cKDTree(own.points[shared]).query(own.points[rows])[0], 0.99))


def told(joints: Sequence[Joint], ties: Sequence[Tie | None], names: Sequence[str]) -> tuple[Note, ...]:
    """What to say of each pair, and of each scan's hold."""
    notes = [Note("join", _pair_words(j, names), 1, j.share < LITTLE) for j in joints]
    for name, tie in zip(names, ties):
        if tie is not None:
            u = 2 * np.sqrt([np.linalg.eigvalsh(part)[-1] for part in (tie.cov[:3, :3], tie.cov[3:, 3:])])
            notes.append(
                Note(
                    "join",
                    f"{name}: held to U {u[0]:.2f} mm and {np.degrees(u[1]):.3f} deg (k = 2) by what it shares, and "
                    f"goes on {tie.reach_mm:.0f} mm from there; the scanner's drift comes on top, see fit",
                )
            )
    return tuple(notes)


def _pair_words(j: Joint, names: Sequence[str]) -> str:
    ways = {"frame": "as they lie", "points": "by common points", "overlap": "by overlap"}
    pair = f"{names[j.second]} on {names[j.first]} {ways[j.by]}"
    if j.share < LITTLE:
        return f"{pair}: they share no surface that could tell whether that is right"
    text = f"{pair}: {100 * j.share:.0f} % of the smaller one in common, {j.residual_mm:.2f} mm apart there (median)"
    loop = f"; the loop closes to {j.gap_mm:.2f} mm and {j.gap_deg:.3f} deg, spread over all"
    return text if np.isnan(j.gap_mm) else text + loop
