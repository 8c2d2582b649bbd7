"""Where every error of a command comes out: as one line and an exit code."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import typer
from typer.core import TyperGroup

from barerail import stopping
from barerail.errors import BarerailError


@contextmanager
def boundary() -> Iterator[None]:
    """Every error comes out here, as one line and an exit code."""
    try:
        yield
    except (Exception, KeyboardInterrupt) as error:
        if stopping.asked() or isinstance(error, KeyboardInterrupt):
            stopping.say()
            raise typer.Exit(stopping.CODE) from error
        if isinstance(error, MemoryError):
            typer.echo(
                "barerail: the memory of this machine is too small for this: thin the scan with "
                "barerail clean SCAN --job DIR --thin MM, then run it again",
                err=True,
            )
            raise typer.Exit(3) from error
        if isinstance(error, BarerailError):
            typer.echo(f"barerail: {error}", err=True)
            raise typer.Exit(error.exit_code) from error
        raise


class Commands(TyperGroup):
    """Commands inside that boundary."""

    def invoke(self, ctx: Any) -> Any:
        with boundary():
            return super().invoke(ctx)
