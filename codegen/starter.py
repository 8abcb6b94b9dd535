"""The build file that ``loopwright new`` writes: an invented example to be filled with measured numbers."""

from __future__ import annotations

from codegen.resources import templates_folder

NAME = "lantern.toml"


def starter_build() -> tuple[str, str]:
    """File name and text of the example build file."""
    return NAME, (templates_folder() / "starter.toml").read_text(encoding="utf-8")
