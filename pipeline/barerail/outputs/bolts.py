"""Which bolt a measured hole takes, and the clearance hole to cut for it (ISO 273)."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from barerail.errors import UsageError
from barerail.outputs.fits import CLEARANCE

MEDIUM = 1
REACH_MM = 0.8
"""How far a hole may differ from a size of the table and still be one (judgement: worn, punched or painted)."""


@dataclass(frozen=True)
class Size:
    """What is cut for a hole: diameter in mm, or None for none. bolt: empty where it was not told from the table.

    rivals: other bolts that the measured diameter, within its U, would fit as well.
    """

    cut: float | None
    bolt: str
    rivals: tuple[str, ...] = ()

    @property
    def clearance(self) -> float | None:
        """Radial clearance of the bolt in the hole that is cut, mm."""
        return (self.cut - nominal(self.bolt)) / 2 if self.bolt and self.cut else None


def nominal(bolt: str) -> float:
    """Diameter of a bolt, M10 for one, in mm."""
    return float(bolt[1:])


def bolt_mm(text: str) -> float:
    """Diameter in mm of a fastener by name or diameter. UsageError for anything else."""
    if text.upper() in CLEARANCE:
        return nominal(text.upper())
    if re.fullmatch(r"\d+(\.\d+)?", text) and float(text) > 0:
        return float(text)
    raise UsageError(f"--bolt {text}: give a bolt, {', '.join(CLEARANCE)}, or a diameter in mm")


def size_of(kind: str, diameter: float, u_diameter: float) -> Size:
    """The bolt whose ISO 273 hole (for a stud: whose own diameter) lies nearest the measured one, and its medium hole.

    u_diameter: expanded, mm. No bolt and no cut where none lies within `REACH_MM`.
    """
    off = {bolt: _off(kind, bolt, diameter) for bolt in CLEARANCE}
    best = min(off, key=lambda b: off[b])
    if not off[best] <= REACH_MM:
        return Size(None, "")
    others = [b for b in CLEARANCE if b != best and off[b] <= u_diameter]
    return Size(CLEARANCE[best][MEDIUM], best, tuple(others))


def _off(kind: str, bolt: str, diameter: float) -> float:
    sizes = (nominal(bolt),) if kind == "stud" else CLEARANCE[bolt]
    return min(abs(diameter - s) for s in sizes)


def asked_size(name: str, text: str) -> Size:
    """The size a user asks for: a bolt of the table, or a diameter in mm. UsageError for anything else."""
    bolt = text.upper()
    if bolt in CLEARANCE:
        return Size(CLEARANCE[bolt][MEDIUM], bolt)
    if re.fullmatch(r"\d+(\.\d+)?", text) and float(text) > 0:
        return Size(float(text), "")
    raise UsageError(f"--size {name}={text}: give a bolt, {', '.join(CLEARANCE)}, or a diameter in mm")


def sizes_asked(sizes: Mapping[str, str], known: list[str]) -> dict[str, Size]:
    """`asked_size` of each name; UsageError for a name that isn't on the template."""
    lost = [name for name in sizes if name not in known]
    if lost:
        raise UsageError(f"--size {lost[0]}: not on this template, which has {', '.join(known)}")
    return {name: asked_size(name, text) for name, text in sizes.items()}
