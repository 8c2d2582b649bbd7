"""Where one scan lies on another: as it stands, by common points, or by what their surfaces have in common."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from barerail.errors import DataError
from barerail.geometry.frames import transform
from barerail.geometry.registration.agreement import agreement
from barerail.geometry.registration.align import FEWEST, held, partners
from barerail.geometry.registration.search import Found, apart, refined, search
from barerail.geometry.registration.surface import Surface
from barerail.records import Array, CommonPoint, Source
from barerail.settings import JoinSettings
from barerail.stages.join.common import of_pair, pose_from
from barerail.stages.join.graph import Link

UNMOVED = 0.8
"""Scans stand in one frame where they score this share of what they score once settled (judgement)."""
NEARBY_MM = 40.0
"""How far surfaces may move common points, mm: picked by hand on two scans (judgement)."""
LOOSE_MM, LOOSE_RAD = 3.0, 3e-3
"""Standard uncertainty of a pose beyond which the overlap doesn't hold it (judgement)."""


@dataclass(frozen=True, eq=False)
class Member:
    """A scan among others: which one, its source and its surface, in its own axes."""

    row: int
    source: Source
    surface: Surface

    @property
    def name(self) -> str:
        return self.source.name


def spread(a: Surface, b: Surface) -> float:
    """Standard deviation in mm of the distance of partners at the right pose: noise of both, drift, thinning."""
    return float(np.clip(2 * np.hypot(a.noise, b.noise), 0.4, 1.5))


def as_they_lie(first: Member, second: Member, settings: JoinSettings) -> Link | None:
    """The second scan unmoved, where it agrees with the first as well as it would once moved, and is held there."""
    a, b = first.surface, second.surface
    sd, still = spread(a, b), np.eye(4)
    unmoved = agreement(a, b, still, sd, 6000)
    if unmoved.share < settings.min_overlap or unmoved.score < UNMOVED * refined(a, b, still, sd).agreement.score:
        return None
    try:
        return linked(first, second, still, "frame") if unmoved.score > 0 else None
    except DataError:
        return None


def asserted(first: Member, second: Member) -> Link:
    """The second scan unmoved because the user says so; taken as exact where too little is shared to tell."""
    try:
        return linked(first, second, np.eye(4), "frame")
    except DataError:
        return Link(first.row, second.row, np.eye(4), np.zeros(3), np.zeros((6, 6)), "frame")


def by_points(first: Member, second: Member, common: Sequence[CommonPoint], settings: JoinSettings) -> Link | None:
    """By common points, then by the surfaces about there, where these overlap enough; None without common points."""
    names, a, b = of_pair(common, first.source, second.source)
    if not names:
        return None
    pose, cov, _ = pose_from(names, a, b, first.name, second.name)
    start = refined(first.surface, second.surface, pose, spread(first.surface, second.surface))
    moved = np.linalg.norm(transform(start.pose, b) - transform(pose, b), axis=1).max()
    if start.agreement.share >= settings.min_overlap and start.agreement.score > 0 and moved < NEARBY_MM:
        return linked(first, second, start.pose, "points")
    return Link(first.row, second.row, pose, a.mean(axis=0), cov, "points")


def by_overlap(first: Member, second: Member, settings: JoinSettings) -> Found:
    """By overlap alone. DataError: too little of it, or another pose that is nearly as good."""
    found = search(first.surface, second.surface, spread(first.surface, second.surface))
    who, cure = f"{second.name} on {first.name}", "scan more that both see, or give common points (--common)"
    enough = [f for f in found if f.agreement.share >= settings.min_overlap]
    if not found or not enough or enough[0] is not found[0]:
        share = max((f.agreement.share for f in found[:1]), default=0.0)
        raise DataError(
            f"{who}: they overlap by {100 * share:.0f} % of the smaller scan at best, "
            f"{100 * settings.min_overlap:.0f} % are needed: {cure}"
        )
    if found[0].agreement.score <= 0:
        raise DataError(f"{who}: nowhere do their surfaces agree more than they contradict: {cure}")
    if len(found) > 1 and found[1].agreement.score > settings.rival_ratio * found[0].agreement.score:
        raise DataError(f"{who}: {apart(found, second.surface)}: a bare frame looks alike from several sides; {cure}")
    return found[0]


def linked(first: Member, second: Member, pose: Array, by: str) -> Link:
    """The link at a settled pose. DataError where what both see leaves the pose loose."""
    a, b = first.surface, second.surface
    reach = 5 * spread(a, b)
    found = partners(a, b, pose, reach, b.even)
    if len(found.rows) < FEWEST:
        raise DataError(f"{second.name} on {first.name}: they share no surface")
    about = found.at.mean(axis=0)
    cov = held(found, reach, about)
    u = np.sqrt(np.diag(cov))
    if not (np.isfinite(u).all() and u[:3].max() < LOOSE_MM and u[3:].max() < LOOSE_RAD):
        raise DataError(
            f"{second.name} on {first.name}: what both see lets the one slide on the other (standard uncertainty "
            f"{u[:3].max():.1f} mm, {np.degrees(u[3:].max()):.2f} degrees): scan more that both see"
        )
    return Link(first.row, second.row, pose, about, cov, by)
