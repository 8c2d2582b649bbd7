"""What all records share: array types, the frozen base, notes, and the names of labels and kinds."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Progress = Callable[[float], None]
"""Called by a long stage with the share done, 0 to 1."""

CHASSIS, SPECK, FLOOR, STAND, CLUTTER = 0, 1, 2, 3, 4
LABELS = ("chassis", "speck", "floor", "stand", "clutter")
KINDS = ("hole", "slot", "stud", "bolt-axis", "sleeve", "tube", "tube-node", "rail", "face")
TWO_FACED = ("hole", "slot", "face")
"""Kinds that may be seen on both faces of a sheet: which one leads is told by axes, not by the scan."""
FACED = (*TWO_FACED, "stud")
"""Kinds that look away from a face."""
CONSTRUCTED = ("point", "axis")
"""Kinds of points that are no feature of the scan: built from others, or typed in."""


def nan3() -> Array:
    return np.full(3, np.nan)


def no_rows() -> Array:
    return np.zeros((0, 3))


def no_neighbours() -> NDArray[np.int32]:
    return np.zeros((0, 0), np.int32)


def no_progress(share: float) -> None:
    """The default `Progress`: says nothing."""


class Frozen:
    """Base of the records: arrays are made read-only when the record is made."""

    def __post_init__(self) -> None:
        for name, value in tuple(vars(self).items()):
            if isinstance(value, np.ndarray) and value.flags.writeable:
                view = value.view()
                view.flags.writeable = False
                object.__setattr__(self, name, view)

    def __setstate__(self, state: dict[str, Any]) -> None:
        """From another process: read-only there, read-only here."""
        vars(self).update(state)
        Frozen.__post_init__(self)


@dataclass(frozen=True)
class Note:
    """Something a stage saw, dropped or assumed, said to the user: `count` things, and why."""

    stage: str
    text: str
    count: int = 1
    warning: bool = False
