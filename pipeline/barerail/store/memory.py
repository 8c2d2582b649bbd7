"""Whether a scan goes into this machine's memory, told before it is tried."""

from pathlib import Path

from barerail.errors import DataError

POINT_BYTES, TRIANGLE_BYTES = 130, 60
"""Memory kept for each point, 100 bytes measured on a job of 30 million and a margin, and triangle (judgement)."""
MAKING_BYTES, SURFACE_BYTES, SURFACE_POINTS = 250, 1300, 1_500_000
"""Memory kept for making a normal at each point that has none, and for each of the cells that are made for it, a point
in each at first: 1.2 GB measured at 1 million points, 3.2 GB at 8 million of the same surface."""
_GROUPS = (Path("/sys/fs/cgroup/memory.max"), Path("/sys/fs/cgroup/memory/memory.limit_in_bytes"))
_INFO = Path("/proc/meminfo")


def available() -> int | None:
    """Bytes of memory that a program may still take; None where the system doesn't say."""
    if not _INFO.exists():
        return None
    told = dict(line.split(":", 1) for line in _INFO.read_text().splitlines() if ":" in line)
    free = int(told["MemAvailable"].split()[0]) * 1024
    limits = [int(text) for file in _GROUPS if file.exists() and (text := file.read_text().strip()).isdigit()]
    return min([free, *limits])


def check(path: Path, points: int, triangles: int = 0, thinned_mm: float = 0.0, normals: bool = True) -> None:
    """DataError where the job on so many points and triangles, thinned or not, with or without normals, doesn't go into
    what is available."""
    needed, free = points * POINT_BYTES + triangles * TRIANGLE_BYTES, available()
    needed += 0 if normals else points * MAKING_BYTES + min(points, SURFACE_POINTS) * SURFACE_BYTES
    if free is not None and needed > free:
        what = f"{points} points" + (f" and {triangles} triangles" if triangles else "")
        advice = (
            f"give --thin more than {thinned_mm:g}"
            if thinned_mm
            else "say --thin MM, such as --thin 2, to keep one measured point in each cell of so many mm"
        )
        raise DataError(
            f"{path.name} {'thinned still ' if thinned_mm else ''}holds {what}, which takes about {needed / 1e9:.1f} "
            f"GB of memory, and {free / 1e9:.1f} GB are free: {advice}, or use a machine with more"
        )
