"""What every command shares: --quiet, --json, expected errors as one message, and the exit status."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from codegen.cli.screen import Screen
from codegen.errors import LoopwrightError

HOLDS, FAILED = 0, 1
FILE = click.Path(path_type=Path)


def common(command: Callable[..., int]) -> Callable[..., Any]:
    """Give a command --quiet and --json, and turn expected errors into one message and an exit status."""

    @click.option("--quiet", is_flag=True, help="Show errors only.")
    @click.option("--json", "as_json", is_flag=True, help="Show one JSON document instead of tables.")
    def run(quiet: bool, as_json: bool, **arguments: Any) -> None:
        screen = Screen(quiet=quiet, as_json=as_json)
        try:
            status = command(screen, **arguments)
        except LoopwrightError as error:
            screen.error(error)
            status = error.exit_status
        raise SystemExit(status)

    run.__name__ = command.__name__
    run.__doc__ = command.__doc__
    options = getattr(command, "__click_params__", [])
    run.__click_params__ = [*options, *run.__click_params__]  # type: ignore[attr-defined]
    return run
