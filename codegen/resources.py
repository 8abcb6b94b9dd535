"""Where the data that ships with the package lies: target descriptions and C templates.

In an installed package they are in ``codegen/data``; in a checkout they are at the top of the repository.
"""

from __future__ import annotations

from pathlib import Path

from codegen.errors import LoopwrightError

_PACKAGE = Path(__file__).resolve().parent


def targets_folder() -> Path:
    """The folder of the target descriptions (``*.toml``).

    Raises:
        LoopwrightError: The package was installed without it.
    """
    return _data_folder("targets")


def templates_folder() -> Path:
    """The folder of the C runtime and the skeletons of the emitted files.

    Raises:
        LoopwrightError: The package was installed without it.
    """
    return _data_folder("c_templates")


def _data_folder(name: str) -> Path:
    for folder in (_PACKAGE / "data" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise LoopwrightError(f"the data folder {name} is missing", "installed package", "install it again")
