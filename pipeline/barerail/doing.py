"""A command's request done, and its results shown."""

from collections.abc import Callable
from pathlib import Path
from typing import Any


def run_request(
    request: Callable[[Any], Any], quiet: bool, about: str = "", how: Callable[[Any, Any], Any] | None = None
) -> None:
    """Do what is asked (`run`, unless `how` says otherwise) and show it."""
    from barerail.run import run
    from barerail.screen import Screen, show

    with Screen(quiet) as screen:
        asked = request(screen)
        outcome = (how or run)(asked, screen)
    show(outcome, about or asked.until)


def do(
    until: str, job: Path, quiet: bool = False, changes: dict[str, Any] | None = None, about: str = "", **given: Any
) -> None:
    from barerail.given import Request

    set_now = {name: value for name, value in (changes or {}).items() if value is not None and value is not False}
    run_request(lambda watch: Request(job, until=until, changes=set_now, **given), quiet, about)
