"""What a simulated scan is made of: one frozen description, and what comes out."""

from dataclasses import dataclass
from typing import Any, Literal, get_args

from barerail.errors import UsageError
from barerail.records import Scan

Sort = Literal["perimeter", "ladder", "channel", "tube"]
Scanner = Literal["sample", "fuse"]
SORTS, SCANNERS = get_args(Sort), get_args(Scanner)
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}


@dataclass(frozen=True)
class SceneCase:
    """A chassis, how it is bent, what stands around it, and the faults of the scanner. Same case, same bytes.

    `seed` draws the chassis and `scan_seed` the pose, the sampling, the noise and the surroundings, so that one chassis
    can be scanned twice. Lengths are mm, noise is one standard deviation.

    sample: a cloud with one point per `spacing_mm`**2 on average, density varying by `uneven` between thin and thick
    parts, discs of it missing (`patches`), sharp edges rounded with radius `edge_mm`, welds of radius `weld_mm`.
    fuse: a mesh from `frames` depth frames, each with `sigma_mm`, in a signed distance field of `voxel_mm`; `lean`: how
    far the cameras lean outboard, as a tangent, since a hand reaches under a car from its side.
    Both: `corr_mm` is along the normal with a Gaussian correlation exp(-h^2 / 2 corr_length_mm^2); `drift_mm` is a
    vector field, per axis, whose wavelengths are metres.

    Bent in truth: `twist_deg` (left rail up at the front), `diamond_mm` (left rail ahead, over the gauge width),
    `sway_mm` (ends left of the middle), `sag_mm` (middle below the ends), `mash_mm` (left rail longer, over the gauge
    width), `asymmetry_mm` (a bump on one side), `pull_mm` (what a weld does: a Gaussian bump of standard deviation
    `pull_reach_mm` at one place of one rail).
    `varied`: fittings, by their names without the side, that lie off their places in their faces on this `car` of many,
    by `varied_mm` along and across, each side by itself.
    `hoop`: a round tube with two bends stands across a tube chassis.
    `window_mm`: only the stretch between these two x of the car is scanned.
    """

    chassis: Sort = "ladder"
    seed: int = 1
    scan_seed: int = 0
    name: str = ""
    small: bool = False
    scanner: Scanner = "sample"
    spacing_mm: float = 2.0
    sigma_mm: float = 0.1
    corr_mm: float = 0.05
    corr_length_mm: float = 25.0
    drift_mm: float = 0.08
    uneven: float = 2.0
    patches: int = 12
    edge_mm: float = 0.3
    weld_mm: float = 2.0
    normals: bool = True
    voxel_mm: float = 2.4
    frames: int = 280
    lean: float = 0.0
    one_sided: int = 2
    clutter: int = 6
    floor: bool = False
    twist_deg: float = 0.0
    diamond_mm: float = 0.0
    sway_mm: float = 0.0
    sag_mm: float = 0.0
    mash_mm: float = 0.0
    asymmetry_mm: float = 0.0
    pull_mm: float = 0.0
    pull_reach_mm: float = 120.0
    varied: tuple[str, ...] = ()
    varied_mm: float = 0.8
    car: int = 0
    hoop: bool = False
    window_mm: tuple[float, float] | None = None
    turned: bool = True
    unit: Literal["mm", "cm", "m", "in", "ft"] = "mm"

    def __post_init__(self) -> None:
        if self.unit not in MM_PER_UNIT:
            raise UsageError(f"scene: unit is {self.unit!r}; use one of {', '.join(MM_PER_UNIT)}")
        if self.chassis not in SORTS or self.scanner not in SCANNERS:
            raise UsageError(f"scene: chassis is one of {', '.join(SORTS)} and scanner one of {', '.join(SCANNERS)}")
        if self.hoop and self.chassis != "tube":
            raise UsageError(f"scene: a hoop stands on a tube chassis, not on {self.chassis}")
        if not (self.spacing_mm > 0 and self.voxel_mm > 0 and self.uneven >= 1 and self.frames >= 10):
            raise UsageError("scene: spacing_mm and voxel_mm must be above 0, uneven at least 1, frames at least 10")

    @property
    def mm_per_unit(self) -> float:
        return MM_PER_UNIT[self.unit]


@dataclass(frozen=True, eq=False)
class Simulated:
    """A scan as a reader would give it, and its truth in the keys of truth.json."""

    scan: Scan
    truth: dict[str, Any]


def demo_case() -> SceneCase:
    """The scan the demo runs on: an invented small club chassis, slightly twisted, at 2.2 mm."""
    name = "Wharf Lane club chassis"
    return SceneCase("perimeter", seed=3, scan_seed=3, name=name, small=True, spacing_mm=2.2, twist_deg=0.15)
