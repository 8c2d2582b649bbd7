"""Points, straightness and shifts in the axes of a datum: stages count x forward and y left, ISO 4130 the other way."""

from dataclasses import replace

import numpy as np

from barerail.geometry.frames import rigid
from barerail.outputs.view import HALF_TURN, View, seen
from barerail.records import (
    Array,
    Car,
    Datum,
    DistanceMap,
    MountPoint,
    MountPoints,
    Moves,
    RailShift,
    Shift,
    StationPair,
    Straightness,
)

SIX = np.kron(np.eye(2), HALF_TURN)


def forward(datum: Datum) -> Datum:
    """The datum with x forward and y left, whatever its axes."""
    if datum.axes == "iso8855":
        return datum
    return replace(
        datum,
        axes="iso8855",
        car_from_scan=rigid(HALF_TURN) @ datum.car_from_scan,
        covariance=SIX @ datum.covariance @ SIX,
        influence=tuple(replace(i, matrix=SIX @ i.matrix) for i in datum.influence),
    )


def points_in(points: MountPoints, datum: Datum) -> MountPoints:
    """Points made with x forward, in the axes of `datum`; by_datum: by its own six numbers."""
    if datum.axes == "iso8855":
        return points
    turned, _ = seen(points, forward(datum), View(datum.axes))
    return replace(turned, points=tuple(map(_by_own, turned.points)))


def _by_own(p: MountPoint) -> MountPoint:
    return replace(p, by_datum=p.by_datum @ SIX, measured=_by_own(p.measured) if p.measured else None)


def points_forward(points: MountPoints, datum: Datum) -> MountPoints:
    """Points in the axes of `datum` as they read with x forward and y left, as `points_in` had them."""
    if datum.axes == "iso8855":
        return points
    turned, _ = seen(points, datum, View("iso8855"))
    return replace(turned, points=tuple(map(_by_own, turned.points)))


def straightness_in(s: Straightness, datum: Datum) -> Straightness:
    """Straightness made with x forward, its stations in the axes of `datum`; the measures are the car's."""
    if datum.axes == "iso8855":
        return s
    return replace(
        s,
        from_x_mm=-s.from_x_mm,
        to_x_mm=-s.to_x_mm,
        sits_mm=s.sits_mm and (-s.sits_mm[0], -s.sits_mm[1]),
        stations=tuple(_station(pair) for pair in s.stations),
    )


def _station(p: StationPair) -> StationPair:
    def turn(cov: Array) -> Array:
        return HALF_TURN @ cov @ HALF_TURN

    return replace(
        p,
        x=-p.x,
        left=HALF_TURN @ p.left,
        right=HALF_TURN @ p.right,
        cov_left=turn(p.cov_left),
        cov_right=turn(p.cov_right),
    )


def rearward(datum: Datum) -> Datum:
    """A datum made x forward, y left, in ISO 4130 axes: the way back from `forward`."""
    return replace(forward(replace(datum, axes="iso4130")), axes="iso4130")


def moves_in(moves: Moves, axes: str) -> Moves:
    """Shifts made with x forward, in `axes`; the bends and the rails' roll are the car's."""
    if axes == "iso8855":
        return moves
    return replace(
        moves,
        shifts=tuple(map(_shift, moves.shifts)),
        rails=tuple(map(_rail, moves.rails)),
        map=moves.map and DistanceMap(moves.map.points @ HALF_TURN, moves.map.distance, moves.map.U),
    )


def _shift(s: Shift) -> Shift:
    at, shift, told = (HALF_TURN @ v for v in (s.position, s.shift, s.told))
    return replace(s, position=at, shift=shift, told=told, cov=HALF_TURN @ s.cov @ HALF_TURN)


def _rail(r: RailShift) -> RailShift:
    return replace(r, at=r.at @ HALF_TURN, shift=r.shift @ HALF_TURN)


def car_in(car: Car, axes: str) -> Car:
    """One car of a series in `axes`, whatever its own datum counts in."""
    if car.axes == axes:
        return car
    at, cov, axis = car.at @ HALF_TURN, HALF_TURN @ car.cov @ HALF_TURN, car.axis @ HALF_TURN
    return replace(car, axes=axes, at=at, cov=cov, axis=axis)
