"""One family of errors, caught once, in boundary.py: each is one line that says what, where and what to do."""


class BarerailError(Exception):
    """Base of every error a user can cause or cure. `exit_code` is what the command line returns."""

    exit_code = 1


class UsageError(BarerailError):
    """Wrong use: a bad option, file or setting."""

    exit_code = 2


class DataError(BarerailError):
    """The data can't support what was asked."""

    exit_code = 3
