"""One family of errors, caught once, in boundary.py: each is one line that says what, where and what to do."""

from collections.abc import Iterable
from difflib import get_close_matches


class BarerailError(Exception):
    """Base of every error a user can cause or cure. `exit_code` is what the command line returns."""

    exit_code = 1


class UsageError(BarerailError):
    """Wrong use: a bad option, file or setting."""

    exit_code = 2


class DataError(BarerailError):
    """The data can't support what was asked."""

    exit_code = 3


def no_point(name: str, known: Iterable[str], where: str = "") -> UsageError:
    """No point has that name: which one is nearly called so, or where the names stand. where: leads, `--face: `."""
    near = get_close_matches(name, list(known), 1)
    hint = f"did you mean {near[0]}?" if near else "points.csv of the job has the names"
    return UsageError(f"{where}no point is named '{name}'; {hint}")
