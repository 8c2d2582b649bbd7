"""From placed features to labelled points: side, face, axis, name, note."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from barerail.geometry.frames import direction, transform
from barerail.records import FACED, KINDS, Array, Datum, MountPoint, Wanted
from barerail.settings import PointsSettings
from barerail.stages.points.budget import Budget
from barerail.stages.points.names import Unit
from barerail.stages.points.pairs import MIRROR, Partners
from barerail.stages.points.place import LINES, SIDELESS, Placed, leading

FACES = (("fore", "aft"), ("left", "right"), ("up", "down"))
ALONG_CAR = np.cos(np.radians(30.0))

Words = NDArray[np.str_]


class Labels(NamedTuple):
    """Per row of Placed: name, row of its partner where it has one, side, face, axis (3,), remarks for its note.

    group: name of the pattern that a hole of this name belongs to. tubes: names of both tubes of a node, by its row.
    """

    names: Mapping[int, str]
    partner: Mapping[int, int]
    side: Words
    face: Words
    axis: Array
    remarks: Mapping[int, list[str]]
    group: Mapping[str, str]
    tubes: Mapping[int, tuple[str, ...]]


def sides(placed: Placed, partners: Partners, settings: PointsSettings) -> Words:
    """L, R or C of each row: partners as paired, C within centre_mm of y = 0, the rest by the sign of y."""
    y = placed.point[:, 1]
    side = np.where(np.abs(y) <= settings.centre_mm, "C", np.where(y > 0, "L", "R"))
    side[partners.left], side[partners.right] = "L", "R"
    return side


def alone(side: Words, partner: Mapping[int, int]) -> list[int]:
    """Rows on the left or right that have no partner."""
    return [i for i, s in enumerate(side) if s != "C" and i not in partner]


def faces(placed: Placed, side: Words) -> Words:
    """Which way each face looks; empty for kinds without one, and for one to the side on the centre plane."""
    k = leading(placed.axis)
    ahead = placed.axis[np.arange(len(k)), k] > 0
    word = np.array(FACES)[k, np.where(ahead, 0, 1)].astype("<U8")
    lateral = k == 1
    word[lateral] = np.where(ahead[lateral] == (side[lateral] == "L"), "outboard", "inboard")
    word[(lateral & (side == "C")) | ~placed.of_kind(*FACED)] = ""
    return word


def partner_axes(placed: Placed, partners: Partners) -> Array:
    """Axes (n, 3) where those without a side of their own are turned to mirror the left partner's."""
    axis = placed.axis.copy()
    a, b = partners.left, partners.right
    against = np.einsum("ij,ij->i", axis[a] * MIRROR, axis[b]) < 0
    turned = b[against & placed.of_kind(*SIDELESS)[b]]
    axis[turned] = -axis[turned]
    return axis


def units(placed: Placed, partner: dict[int, int], side: Words, face: Words) -> list[Unit]:
    """Pairs and single features, front to rear, then by kind, from the left and from the top.

    Holes seen on both faces that look to the side are named by the outer one, on either side of the car.
    """
    groups = [(i, partner[i]) if i in partner else (i,) for i in range(len(side)) if side[i] != "R" or i not in partner]
    lengthwise = placed.of_kind(*LINES) & (np.abs(placed.axis[:, 0]) > ALONG_CAR)
    through = np.isin(face, ("inboard", "outboard")) & np.isfinite(placed.other[:, 0])
    named = np.where(through, "outboard", face)
    made = []
    for rows in groups:
        x, y, z = np.mean(placed.point[list(rows)] * [1, -1, 1] ** np.arange(len(rows))[:, None], axis=0)
        kind, station = KINDS[placed.kind[rows[0]]], not lengthwise[rows[0]]
        made.append(Unit(rows, tuple(side[list(rows)].tolist()), kind, str(named[rows[0]]), x, z, abs(y), station))
    return sorted(made, key=lambda u: (round(-u.x, 3), KINDS.index(u.kind), u.sides, round(-u.height, 3), u.rows))


def labelled(placed: Placed, sums: Budget, labels: Labels, datum: Datum, row: int) -> MountPoint:
    """One row as a labelled point in car axes."""
    f = placed.source[row]
    return MountPoint(
        name=labels.names[row],
        kind=f.kind,
        side=str(labels.side[row]),
        partner=labels.names[labels.partner[row]] if row in labels.partner else "",
        position=placed.point[row],
        axis=labels.axis[row],
        diameter=f.diameter,
        length=f.length,
        cov=sums.cov[row],
        cov_local=sums.local[row],
        cov_axis=sums.axis[row],
        by_datum=sums.by_datum[row],
        u_diameter=f.u_diameter,
        u_length=f.u_length,
        arc_deg=f.arc_deg,
        n=f.n,
        rms=f.rms,
        state="measured",
        note="; ".join(filter(None, [f.note, *labels.remarks[row]])),
        face=str(labels.face[row]),
        along=direction(datum.car_from_scan, f.along),
        ends=transform(datum.car_from_scan, f.ends),
        detail=f.detail,
        feature=int(placed.found[row]),
        group=labels.group.get(labels.names[row], ""),
        tubes=labels.tubes.get(row, ()),
    )


def missing(wanted: Wanted, why: str) -> MountPoint:
    """A wanted point that the scan doesn't show: coordinates nan, `why` in its note."""
    nan, y = float("nan"), wanted.position[1]
    ending = wanted.name[-2:]
    return MountPoint(
        name=wanted.name,
        kind=wanted.kind,
        side=ending[1] if ending in ("-L", "-R") else "L" if y > 0 else "R" if y < 0 else "C",
        partner="",
        position=np.full(3, nan),
        axis=np.zeros(3),
        diameter=nan,
        length=nan,
        cov=np.full((3, 3), nan),
        cov_local=np.full((3, 3), nan),
        cov_axis=np.zeros((3, 3)),
        by_datum=np.full((3, 6), nan),
        u_diameter=nan,
        u_length=nan,
        arc_deg=nan,
        n=0,
        rms=nan,
        state="missing",
        note=why,
    )
