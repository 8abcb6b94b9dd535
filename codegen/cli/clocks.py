"""The option that names a core's clock."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import click

from codegen.errors import TargetError
from codegen.targets import read_target

Clocks = tuple[tuple[str, float], ...]

clock_option: Callable[[Callable[..., Any]], Callable[..., Any]] = click.option(
    "--clock", "clocks", multiple=True, type=(str, float), metavar="MCU HZ", help="Clock of a target (default: the build's)."
)


def read_clocks(clocks: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Hz by name of target.

    Raises:
        TargetError: There is no such target, or its clock does not run.
    """
    found = {read_target(name).name: hz for name, hz in clocks}
    for name, hz in found.items():
        if not 1e3 <= hz <= 1e10:
            raise TargetError(f"a clock of {hz:g} Hz", name, "name it in hertz: 16 MHz is 16e6")
    return found
