"""Files appear whole or not at all: written into a folder of their own beside the wanted one, then moved into place."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from codegen.errors import LoopwrightError


def write_files(folder: Path, files: Mapping[str, str]) -> None:
    """Put files into ``folder``, whole or not at all.

    Raises:
        LoopwrightError: The folder cannot be written.
    """
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise LoopwrightError(f"cannot write here: {error.strerror}", str(folder), "name another folder") from None
    try:
        for name, text in files.items():
            place = staged / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(text, encoding="utf-8", newline="\n")
        if not folder.exists():
            staged.chmod(0o755)
            staged.replace(folder)
            return
        for name in files:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (staged / name).replace(folder / name)
    except OSError as error:
        raise LoopwrightError(f"cannot write here: {error.strerror}", str(folder), "name another folder") from None
    finally:
        shutil.rmtree(staged, ignore_errors=True)
