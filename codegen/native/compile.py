"""Compile C text into a shared library in a temporary folder and open it with cffi.

Takes: C sources as text. Gives: an open library whose functions Python can call. Does not: write anywhere
else, use a shell, or need Python's own headers (the library is opened at run time).
"""

from __future__ import annotations

import functools
import importlib.util
import os
import shlex
import shutil
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import cffi

from codegen.errors import CheckFailed, CompileError
from codegen.native.tool import WARNING_FLAGS, run_tool, tool_version

# Contraction would fuse a product and a sum into one rounding on some machines only; results must not depend
# on the machine.
_COMMON_FLAGS = ("-std=c99", "-fPIC", "-ffp-contract=off")
# The four excluded checks guard pointers, which the checked text does not compute with, and cost a third of
# the speed.
_SANITIZE_FLAGS = ("-fsanitize=undefined", "-fno-sanitize=null,alignment,object-size,pointer-overflow")
_RUNTIME_NAME = "sanitizer_runtime.c"
_RUNTIME_DECLARATIONS = """
uint64_t loopwright_sanitizer_total(void);
int loopwright_sanitizer_report(int index, const char **kind, const char **file, uint32_t *line, uint32_t
*column,
                                uint64_t *count);
void loopwright_sanitizer_clear(void);
"""


@dataclass(frozen=True)
class Compiler:
    """One C compiler of this machine.

    Attributes:
        command: Program and leading arguments.
        version: First line of its ``--version`` answer.
    """

    command: tuple[str, ...]
    version: str

    @property
    def is_zig(self) -> bool:
        """Whether this is the clang inside ``ziglang``, which checks and traps unless told not to."""
        return "ziglang" in self.command or Path(self.command[0]).stem == "zig"

    @property
    def is_clang(self) -> bool:
        """Whether the compiler takes clang's flags."""
        return "clang" in self.version


@dataclass(frozen=True)
class SanitizerReport:
    """One place at which a checked build did something C leaves undefined.

    Attributes:
        kind: What happened.
        file: Source file name.
        line: Line in it.
        column: Column in it.
        count: How often, at this place.
    """

    kind: str
    file: str
    line: int
    column: int
    count: int


def find_compiler() -> Compiler:
    """Return the compiler named by CC, else cc, gcc or clang, else that of the package ``ziglang``.

    Raises:
        CompileError: CC names no program, or there is no compiler at all.
    """
    named = os.environ.get("CC", "").strip()
    if named:
        command = tuple(shlex.split(named))
        if shutil.which(command[0]) is None:
            raise CompileError(
                f"there is no program {command[0]!r}",
                "environment variable CC",
                "unset CC or name a C compiler in it",
            )
        return Compiler(command, _version(command))
    for name in ("cc", "gcc", "clang"):
        path = shutil.which(name)
        if path is not None:
            return Compiler((path,), _version((path,)))
    if importlib.util.find_spec("ziglang") is not None:
        command = (sys.executable, "-m", "ziglang", "cc")
        return Compiler(command, _version(command))
    raise CompileError(
        "no C compiler found (looked for cc, gcc, clang and the Python package ziglang)",
        remedy="install a C compiler, or `pip install ziglang`",
    )


class Library:
    """A compiled library, open until closed; keep it as long as its functions are used.

    Attributes:
        ffi: The cffi instance that holds the declarations.
        lib: The open library; declared functions are its attributes.
        compiler: Version line of the compiler that made it.
    """

    def __init__(
        self,
        ffi: cffi.FFI,
        lib: Any,
        compiler: str,
        folder: tempfile.TemporaryDirectory[str],
        *,
        sanitized: bool,
    ) -> None:
        self.ffi = ffi
        self.lib = lib
        self.compiler = compiler
        self._folder = folder
        self._sanitized = sanitized
        self._open = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the library and remove its temporary folder; its functions must not be called afterwards."""
        if self._open:
            self._open = False
            self.ffi.dlclose(self.lib)
            self._folder.cleanup()

    def address_of(self, name: str) -> int:
        """Machine address of the declared function ``name``, to hand one library's function to another.

        Raises:
            CompileError: The library does not hold that function.
        """
        try:
            function = getattr(self.lib, name)
        except AttributeError as error:
            raise CompileError(f"the compiled library has no function {name!r}") from error
        return int(self.ffi.cast("uintptr_t", function))

    def sanitizer_reports(self) -> list[SanitizerReport]:
        """Return the reports since the last clearing, in the order of first appearance.

        At most 32 places are kept; ``sanitizer_total`` counts all. Empty for a library compiled without the
        checks.
        """
        if not self._sanitized:
            return []
        kind, file = self.ffi.new("const char **"), self.ffi.new("const char **")
        line, column = self.ffi.new("uint32_t *"), self.ffi.new("uint32_t *")
        count = self.ffi.new("uint64_t *")
        reports: list[SanitizerReport] = []
        while self.lib.loopwright_sanitizer_report(len(reports), kind, file, line, column, count):
            reports.append(
                SanitizerReport(
                    kind=self._text(kind[0]),
                    file=Path(self._text(file[0])).name,
                    line=int(line[0]),
                    column=int(column[0]),
                    count=int(count[0]),
                )
            )
        return reports

    def sanitizer_total(self) -> int:
        """Count all reports since the last clearing; 0 for a library compiled without the checks."""
        return int(self.lib.loopwright_sanitizer_total()) if self._sanitized else 0

    def clear_sanitizer_reports(self) -> None:
        """Forget all reports."""
        if self._sanitized:
            self.lib.loopwright_sanitizer_clear()

    def raise_sanitizer_reports(self) -> None:
        """Raise if the checks reported anything.

        Raises:
            CheckFailed: With the first place and the number of further ones.
        """
        reports = self.sanitizer_reports()
        if reports:
            first = reports[0]
            further = f", and at {len(reports) - 1} further places" if len(reports) > 1 else ""
            raise CheckFailed(
                f"undefined behaviour: {first.kind}, {first.count} times{further}",
                f"{first.file}, line {first.line}, column {first.column}",
                "keep the operands of this statement within the range of their type",
            )

    def _text(self, pointer: Any) -> str:
        text = self.ffi.string(pointer)
        return text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)


def compile_library(
    sources: Mapping[str, str],
    *,
    declarations: str = "",
    optimise: str = "-O2",
    flags: Sequence[str] = (),
    sanitize: bool = False,
    warnings_are_errors: bool = True,
) -> Library:
    """Compile C99 text to a shared library and open it.

    Args:
        sources: File name -> text; names ending in ``.c`` are compiled, others (headers) only lie beside
            them.
        declarations: What cffi shall know of the library (C declarations without preprocessor lines); more
            can be added later with ``Library.ffi.cdef``.
        optimise: Optimisation flag.
        flags: Further compiler flags.
        sanitize: Build with undefined-behaviour checks that count (see ``Library.sanitizer_reports``).
        warnings_are_errors: Compile under ``-Wall -Wextra -Wconversion -Wpedantic -Wshadow -Werror``.

    Raises:
        CompileError: No compiler was found, it refused the text (with its first lines), or the result cannot
            be opened.
    """
    names = [name for name in sources if name.endswith(".c")]
    if not names:
        raise CompileError("no C source among the files to compile", ", ".join(sources))
    for name in sources:
        if Path(name).name != name or name == _RUNTIME_NAME or name.startswith("-"):
            raise CompileError(f"{name!r} is not a usable source file name", remedy="give a plain file name without folders")
    compiler = find_compiler()
    # The folder must outlive this function: the library removes it when it is closed or collected.
    folder = tempfile.TemporaryDirectory(prefix="loopwright_", ignore_cleanup_errors=True)
    try:
        place = Path(folder.name)
        for name, text in sources.items():
            (place / name).write_text(text, encoding="utf-8")
        every = [*_COMMON_FLAGS, optimise, *((*WARNING_FLAGS, "-Werror") if warnings_are_errors else ("-w",)), *flags]
        result = place / f"library{'.dylib' if sys.platform == 'darwin' else '.so'}"
        if sanitize:
            shutil.copyfile(Path(__file__).with_name(_RUNTIME_NAME), place / _RUNTIME_NAME)
            _compile_checked(compiler, place, names, every, result)
        else:
            _run(compiler, [*every, *_quiet(compiler), "-shared", *names, "-o", result.name, "-lm"], place)
        ffi = cffi.FFI()
        ffi.cdef(declarations + (_RUNTIME_DECLARATIONS if sanitize else ""))
        try:
            lib = ffi.dlopen(str(result))
        except OSError as error:
            raise CompileError(f"the compiled library cannot be opened: {error}") from error
    except BaseException:
        folder.cleanup()
        raise
    return Library(ffi, lib, compiler.version, folder, sanitized=sanitize)


def _compile_checked(compiler: Compiler, place: Path, names: Sequence[str], flags: Sequence[str], result: Path) -> None:
    """Compile sources with the checks, the handlers without, and leave out the compiler's check library."""
    checks = list(_SANITIZE_FLAGS)
    if compiler.is_clang:
        # Without these two zig traps, and clang checks the type of every called function, which gcc does not.
        checks += ["-fno-sanitize-trap=undefined", "-fno-sanitize=function"]
    objects = []
    for name in names:
        objects.append(f"{Path(name).stem}.o")
        _run(compiler, [*flags, *checks, "-c", name, "-o", objects[-1]], place)
    runtime = f"{Path(_RUNTIME_NAME).stem}.o"
    _run(compiler, [*_COMMON_FLAGS, "-O2", *_quiet(compiler), "-c", _RUNTIME_NAME, "-o", runtime], place)
    _run(compiler, ["-O2", *_quiet(compiler), "-shared", *objects, runtime, "-o", result.name, "-lm"], place)


def _quiet(compiler: Compiler) -> tuple[str, ...]:
    """Zig checks and traps by default in some modes; an ordinary build must not."""
    return ("-fno-sanitize=all",) if compiler.is_zig else ()


def _run(compiler: Compiler, arguments: Sequence[str], folder: Path) -> None:
    run_tool(compiler.command, arguments, folder, version=compiler.version, is_zig=compiler.is_zig)


@functools.cache
def _version(command: tuple[str, ...]) -> str:
    return tool_version(command)
