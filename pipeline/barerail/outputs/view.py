"""How an export looks at the car: axes, ride height, unit. A transform of the export, never of the datum."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from barerail.errors import UsageError
from barerail.geometry.frames import rigid, skew, transform
from barerail.outputs.cells import MM_PER
from barerail.outputs.words import AXES
from barerail.records import Array, BentTube, Datum, Group, MountPoint, MountPoints, Pair

HALF_TURN = np.diag([-1.0, -1.0, 1.0])
"""Between ISO 8855 (x forward, y left) and ISO 4130 (x rearward, y right), both ways: det +1, z stays up."""
FROM_ISO8855 = {"iso8855": np.eye(3), "iso4130": HALF_TURN, "j670": np.diag([1.0, -1.0, -1.0])}
"""SAE J670e (1976): x forward, y right, z down. Each is its own way back."""


@dataclass(frozen=True)
class Ride:
    """Heights in mm of the datum's z = 0 above ground, at y = 0, at two stations: (x, height), x in datum axes, mm."""

    front: tuple[float, float]
    rear: tuple[float, float]

    def matrix(self) -> Array:
        """(4, 4) ground from datum: the pitch and the lift that stand the datum at these heights.

        The x of the datum's origin, and the side, stay. UsageError where no pitch gives these heights.
        """
        (xf, hf), (xr, hr) = self.front, self.rear
        base = xf - xr
        if abs(base) < 1.0 or abs(hf - hr) >= abs(base):
            raise UsageError(
                f"ride heights {hf:g} mm at x = {xf:g} and {hr:g} mm at x = {xr:g}: the stations must lie further "
                "apart than the heights differ"
            )
        s = (hf - hr) / base
        c = np.sqrt(1 - s**2)
        return rigid([[c, 0, -s], [0, 1, 0], [s, 0, c]], (0.0, 0.0, hf - s * xf))

    def words(self) -> str:
        places = " and ".join(f"{h:g} mm above ground at x = {x:g} mm" for x, h in (self.front, self.rear))
        return f"at ride height: z = 0 is the ground, the datum's z = 0 stands {places} of the datum"


@dataclass(frozen=True)
class View:
    """What an export asks for. axes: iso8855, iso4130, j670 or empty for the datum's own."""

    axes: str = ""
    ride: Ride | None = None

    def suffix(self, datum: Datum, unit: str) -> str:
        """What a file's name says of it, `-iso4130-in-ride-150-170`; empty for the datum's axes in mm."""
        axes = self.axes or datum.axes
        plain = axes == datum.axes and unit == "mm" and not self.ride
        return "" if plain else f"-{axes}-{unit}{self.ride_suffix()}"

    def ride_suffix(self) -> str:
        """The ride heights alone, `-ride-150-170`, for files whose axes and unit are their format's; empty for none."""
        return f"-ride-{self.ride.front[1]:g}-{self.ride.rear[1]:g}" if self.ride else ""

    def matrix(self, datum: Datum) -> Array:
        """(4, 4) view from datum, mm."""
        turn = rigid(FROM_ISO8855[self.axes or datum.axes] @ FROM_ISO8855[datum.axes])
        if self.ride is None:
            return turn
        upright = rigid(HALF_TURN) if datum.axes == "iso4130" else np.eye(4)
        return turn @ upright @ self._forward(datum).matrix() @ upright

    def _forward(self, datum: Datum) -> Ride:
        """The ride with its x counted forward."""
        assert self.ride is not None
        sign = -1.0 if datum.axes == "iso4130" else 1.0
        return Ride(*((sign * x, h) for x, h in (self.ride.front, self.ride.rear)))


def seen(points: MountPoints, datum: Datum, view: View) -> tuple[MountPoints, Datum]:
    """Points and datum as the view has them, still mm. Faces and sides keep their words: they are the car's.

    by_datum stays the derivative by the datum's own six numbers.
    """
    m = view.matrix(datum)
    if np.array_equal(m, np.eye(4)):
        return points, datum
    r = m[:3, :3]
    turned = MountPoints(
        tuple(_turned(p, m) for p in points.points),
        tuple(replace(p, difference=r @ p.difference, cov=r @ p.cov @ r.T) for p in points.pairs),
        points.notes,
        tuple(_turned_group(g, m) for g in points.groups),
        bent=tuple(_moved(b, lambda at: transform(m, at), 1.0) for b in points.bent),
    )
    big = np.block([[r, skew(m[:3, 3]) @ r], [np.zeros((3, 3)), r]])
    origin = "; ".join(filter(None, [datum.origin, view.ride.words() if view.ride else "", _matrix_words(m, datum)]))
    car = replace(
        datum,
        car_from_scan=m @ datum.car_from_scan,
        covariance=big @ datum.covariance @ big.T,
        axes=view.axes or datum.axes,
        origin=origin,
    )
    return turned, car


def _matrix_words(m: Array, datum: Datum) -> str:
    rows = "; ".join(" ".join(f"{v + 0.0:.9g}" for v in row) for row in np.round(m, 12))
    axes = ", ".join(f"{axis} {word}" for axis, word in zip("xyz", AXES[datum.axes]))
    return f"from the datum ({datum.axes}: {axes}; mm) by the 4x4, rows: {rows}"


def _turned(p: MountPoint, m: Array) -> MountPoint:
    r = m[:3, :3]
    return replace(
        p,
        position=r @ p.position + m[:3, 3],
        axis=r @ p.axis,
        along=r @ p.along,
        ends=p.ends @ r.T + m[:3, 3],
        cov=r @ p.cov @ r.T,
        cov_local=r @ p.cov_local @ r.T,
        cov_axis=r @ p.cov_axis @ r.T,
        by_datum=r @ p.by_datum,
        measured=_turned(p.measured, m) if p.measured else None,
    )


def _turned_group(g: Group, m: Array) -> Group:
    r = m[:3, :3]
    cov = r @ g.cov @ r.T
    return replace(g, centre=transform(m, g.centre), off=g.off @ r.T, difference=r @ g.difference, cov=cov)


def scaled(points: MountPoints, unit: str) -> MountPoints:
    """The points with every length in `unit` (mm, m, in) in place of mm; by_datum in `unit` per mm and per rad."""
    s = 1 / MM_PER[unit]
    if s == 1:
        return points
    return MountPoints(
        tuple(_scaled(p, s) for p in points.points),
        tuple(Pair(p.left, p.right, s * p.difference, s**2 * p.cov) for p in points.pairs),
        points.notes,
        bent=tuple(_moved(b, lambda at: s * at, s) for b in points.bent),
    )


def _moved(b: BentTube, to: Callable[[Array], Array], s: float) -> BentTube:
    bends = (replace(o, arc=to(o.arc), radius=s * o.radius, u_radius=s * o.u_radius, rms=s * o.rms) for o in b.bends)
    return replace(b, bends=tuple(bends), centreline=to(b.centreline))


def _scaled(p: MountPoint, s: float) -> MountPoint:
    return replace(
        p,
        **{key: s * getattr(p, key) for key in ("position", "ends", "by_datum", "diameter", "length", "rms")},
        **{key: s * getattr(p, key) for key in ("u_diameter", "u_length")},
        cov=s**2 * p.cov,
        cov_local=s**2 * p.cov_local,
        detail=_detail(p.detail, s),
        measured=_scaled(p.measured, s) if p.measured else None,
    )


def _detail(detail: Mapping[str, float], s: float) -> dict[str, float]:
    return {key: value * s if key.endswith("_mm") else value for key, value in detail.items()}
