"""Round tubes written down or sampled, straight and bent, for tests of nodes and bends."""

import numpy as np
from fit_case import Points, Scanner

from barerail.records import Array, Feature


def tube(
    at: Array, axis: Array, d: float = 40.0, length: float = 400.0, sd: float = 0.02, turn: float = 0.0
) -> Feature:
    """A tube seen over `length` about its middle, known across to `sd` mm and its axis to `turn` rad."""
    at, axis = np.array(at, float), np.array(axis, float) / np.linalg.norm(axis)
    across, ends = np.eye(3) - np.outer(axis, axis), at + np.outer([-length / 2, length / 2], axis)
    cov, cov_axis = sd**2 * across + 1.5**2 * np.outer(axis, axis), turn**2 * across
    return Feature("tube", at, axis, d, length, cov, cov_axis, 0.03, 3.0, arc_deg=360.0, n=1000, rms=0.1, ends=ends)


def ring(s: Scanner, bend: float, r: float, turn: float) -> Points:
    """An arc of round tube in the plane z = 0 about the origin, from angle 0 to `turn`, even on its surface."""
    n = s.count(2 * np.pi * r * (bend + r) * turn)
    about, along = s.rng.uniform(0, 2 * np.pi, n), s.rng.uniform(0, turn, n)
    keep = s.rng.random(n) < (bend + r * np.cos(about)) / (bend + r)
    about, along = about[keep], along[keep]
    way = np.column_stack([np.cos(along), np.sin(along), np.zeros(len(along))])
    out = np.cos(about)[:, None] * way + np.sin(about)[:, None] * [0, 0, 1.0]
    return Points(bend * way + r * out, out)


def leg(s: Scanner, start: Array, way: Array, r: float, length: float) -> Points:
    """The outside of a round tube from a place on, unit direction `way` square to z."""
    turn = np.column_stack([[0, 0, 1.0], np.cross(way, [0, 0, 1.0]), way])
    return s.wall((0, 0, r), 0, length, True).placed(turn, start)


def bent(s: Scanner, bend: float, r: float, turn: float, length: float, arc: bool = True) -> Points:
    """A tube bent by `turn` rad with straight legs on both sides, in the plane z = 0, the bend's centre at the origin;
    `arc`: whether the bend itself is seen."""
    end = np.array([np.cos(turn), np.sin(turn), 0])
    out = leg(s, np.array([bend, 0, 0]), np.array([0, -1.0, 0]), r, length)
    out += leg(s, bend * end, np.array([-end[1], end[0], 0]), r, length)
    return out + ring(s, bend, r, turn) if arc else out


def ball(s: Scanner, at: Array, r: float) -> Points:
    out = s.rng.normal(size=(s.count(4 * np.pi * r**2), 3))
    out /= np.linalg.norm(out, axis=1)[:, None]
    return Points(at + r * out, out)
