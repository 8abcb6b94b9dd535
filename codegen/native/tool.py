"""Run a C compiler, this machine's or a cross compiler, and turn what goes wrong into one error.

Takes a command and arguments, gives nothing or its version line.  Starts no shell and writes only in the folder it is given.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path

from codegen.errors import CompileError

WARNING_FLAGS = ("-Wall", "-Wextra", "-Wconversion", "-Wpedantic", "-Wshadow")
_SHOWN_LINES = 12
_SECONDS, _VERSION_SECONDS = 300.0, 60.0


def run_tool(
    command: Sequence[str], arguments: Sequence[str], folder: Path, *, version: str, is_zig: bool, what: str = "compiler"
) -> None:
    """Run a compiler in ``folder``.

    Args:
        command: Program and leading arguments.
        arguments: The rest.
        folder: Where it runs.
        version: What it says of itself, for the error.
        is_zig: Whether it needs a cache folder, which it is given where the user has none.
        what: How errors call it.

    Raises:
        CompileError: It cannot be started, hangs, or refuses; with its first lines.
    """
    environment = dict(os.environ)
    if is_zig and not any(environment.get(key) for key in ("ZIG_GLOBAL_CACHE_DIR", "XDG_CACHE_HOME", "HOME")):
        environment["ZIG_GLOBAL_CACHE_DIR"] = str(folder / "cache")
    try:
        done = subprocess.run(
            [*command, *arguments],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise CompileError(f"the {what} did not finish within {_SECONDS:g} s", version) from error
    except OSError as error:
        raise CompileError(f"the {what} cannot be started: {error.strerror}", command[0]) from error
    if done.returncode != 0:
        lines = (done.stderr + done.stdout).strip().splitlines()
        shown = "\n    ".join(lines[:_SHOWN_LINES]) or f"exit status {done.returncode} without a message"
        raise CompileError(f"the {what} refused the text:\n    {shown}", version)


def tool_version(command: Sequence[str], question: str = "--version", *, what: str = "compiler") -> str:
    """First line of a compiler's answer to ``question``.

    Raises:
        CompileError: It cannot be started or does not answer.
    """
    try:
        done = subprocess.run(
            [*command, question],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=_VERSION_SECONDS,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise CompileError(f"the {what} does not tell its version: {error}", " ".join(command)) from error
    lines = done.stdout.strip().splitlines()
    if done.returncode != 0 or not lines:
        raise CompileError(f"the {what} does not tell its version", " ".join(command), "check that it runs by itself")
    return lines[0]
