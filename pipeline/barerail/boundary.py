"""Where every error of a command comes out: as one line and an exit code."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

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
        if isinstance(error, MISUSE) and getattr(error, "ctx", None):
            typer.echo(_misused(error), err=True)
            raise typer.Exit(2) from error
        raise


MISUSE = typer.BadParameter.__mro__[1]
"""What typer raises for a command or option that isn't there, isn't complete, or has a value that it can't have."""


def _misused(error: Any) -> str:
    """One line: what typer says of it, and where the help is."""
    told = error.format_message().rstrip(".").replace("Value error, ", "")
    return f"barerail: {told}; {error.ctx.command_path} -h says what it takes"


class Commands(TyperGroup):
    """Commands inside that boundary."""

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        with boundary():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: Any) -> Any:
        with boundary():
            return super().invoke(ctx)


class Command(TyperCommand):
    """A command whose help says of an argument what it is, not by which type the program keeps it."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for argument in (p for p in self.params if p.param_type_name == "argument"):
            vars(argument)["display_type_rich"] = lambda ctx: None
