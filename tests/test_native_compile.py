"""Compiling C text at run time: both compilers, refusals, and undefined-behaviour checks that really fire."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from codegen.errors import CheckFailed, CompileError
from codegen.native.compile import Library, compile_library, find_compiler

DECLARATIONS = """
int32_t add(int32_t a, int32_t b);
int32_t subtract(int32_t a, int32_t b);
int32_t multiply(int32_t a, int32_t b);
int32_t negate(int32_t a);
int32_t shift(int32_t a, int32_t b);
int32_t element(int32_t i);
"""
SOURCE = """#include <stdint.h>
#include "calculator.h"
int32_t add(int32_t a, int32_t b) { return a + b; }
int32_t subtract(int32_t a, int32_t b) { return a - b; }
int32_t multiply(int32_t a, int32_t b) { return a * b; }
int32_t negate(int32_t a) { return -a; }
int32_t shift(int32_t a, int32_t b) { return a << b; }
int32_t element(int32_t i) { static const int32_t few[8] = {1, 2, 3, 4, 5, 6, 7, 8}; return few[i]; }
"""
FILES = {"calculator.c": SOURCE, "calculator.h": DECLARATIONS}
ZIG = f"{sys.executable} -m ziglang cc"


@pytest.fixture(params=["system", "zig"])
def compiler(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Each compiler in turn: the one on PATH, and with an empty PATH the one that Python brings along."""
    monkeypatch.delenv("CC", raising=False)
    name = str(request.param)
    if name == "zig":
        monkeypatch.setenv("PATH", "")
    return name


def calculator(*, sanitize: bool = False) -> Library:
    """Return the sample library."""
    return compile_library(FILES, declarations=DECLARATIONS, sanitize=sanitize)


def test_library_computes(compiler: str) -> None:
    """A compiled function can be called, and the compiler's version is known."""
    with calculator() as library:
        assert library.lib.add(40, 2) == 42
        assert ("clang" in library.compiler) == (compiler == "zig")


def test_ordinary_build_neither_traps_nor_reports(compiler: str) -> None:
    """Without the checks an overflowing sum comes back like any other."""
    with calculator() as library:
        assert library.lib.add(2**31 - 1, 1) in (-(2**31), 2**31 - 1)
        assert library.sanitizer_reports() == []
        assert library.sanitizer_total() == 0
        library.raise_sanitizer_reports()


@pytest.mark.parametrize(
    ("function", "arguments", "line", "kind"),
    [
        ("add", (2**31 - 1, 1), 3, "addition"),
        ("subtract", (-(2**31), 1), 4, "subtraction"),
        ("multiply", (2**16, 2**15), 5, "multiplication"),
        ("negate", (-(2**31),), 6, "negation"),
        ("shift", (1, 32), 7, "shift"),
        ("shift", (1, -1), 7, "shift"),
        ("shift", (-1, 1), 7, "shift"),
        ("element", (8,), 8, "index"),
    ],
)
def test_undefined_behaviour_is_reported_with_its_place(
    compiler: str, function: str, arguments: tuple[int, ...], line: int, kind: str
) -> None:
    """Each is counted with file and line, the process lives, and the error names the place."""
    with calculator(sanitize=True) as library:
        for _ in range(3):
            getattr(library.lib, function)(*arguments)
        reports = library.sanitizer_reports()
        assert [(report.file, report.line, report.count) for report in reports] == [("calculator.c", line, 3)]
        assert kind in reports[0].kind
        with pytest.raises(CheckFailed, match=rf"calculator\.c, line {line}, column \d+.*{kind}"):
            library.raise_sanitizer_reports()


def test_clean_run_has_no_reports_and_clearing_forgets(compiler: str) -> None:
    """Defined operations are silent; after clearing, old reports are gone and new ones are counted."""
    with calculator(sanitize=True) as library:
        assert [library.lib.add(1, 2), library.lib.shift(1, 30), library.lib.element(7)] == [3, 2**30, 8]
        library.raise_sanitizer_reports()
        library.lib.add(2**31 - 1, 1)
        library.clear_sanitizer_reports()
        assert library.sanitizer_reports() == []
        library.lib.subtract(-(2**31), 1)
        assert [report.line for report in library.sanitizer_reports()] == [4]


def test_two_checked_libraries_count_apart(compiler: str) -> None:
    """The handlers are private to each library."""
    with calculator(sanitize=True) as first, calculator(sanitize=True) as second:
        first.lib.add(2**31 - 1, 1)
        assert first.sanitizer_total() == 1
        assert second.sanitizer_total() == 0


def test_many_places_are_counted_though_not_all_are_kept(compiler: str) -> None:
    """The total counts every report, the list keeps the first places."""
    lines = "\n".join(f"    s += x + {n};" for n in range(1, 41))
    source = (
        "#include <stdint.h>\nint32_t many(int32_t x);\nint32_t many(int32_t x)\n{\n    int64_t s = 0;\n"
        f"{lines}\n    return (int32_t)(s & 1);\n}}\n"
    )
    with compile_library({"many.c": source}, declarations="int32_t many(int32_t);", sanitize=True) as library:
        library.lib.many(2**31 - 1)
        assert library.sanitizer_total() == 40
        assert [report.line for report in library.sanitizer_reports()] == list(range(6, 38))


def test_warnings_are_errors_unless_allowed(compiler: str) -> None:
    """A narrowing conversion is refused in the compiler's words, and compiles when warnings are allowed."""
    source = "#include <stdint.h>\nint16_t narrow(int32_t x);\nint16_t narrow(int32_t x) { return x; }\n"
    with pytest.raises(CompileError, match=r"narrow\.c:3.*conversion") as refusal:
        compile_library({"narrow.c": source})
    assert len(refusal.value.message().splitlines()) < 20
    with compile_library({"narrow.c": source}, declarations="int16_t narrow(int32_t);", warnings_are_errors=False) as library:
        assert library.lib.narrow(7) == 7


def test_contraction_is_off(compiler: str) -> None:
    """a*b + c is rounded twice, as IEEE 754 says of two operations, whatever the machine could fuse."""
    head = "double both(double a, double b, double c)"
    source = f"{head};\n{head} {{ return a * b + c; }}\n"
    with compile_library({"both.c": source}, declarations="double both(double, double, double);") as library:
        a = 1.0 + 2.0**-30
        assert library.lib.both(a, a, -1.0) == a * a - 1.0
        # Fused, the last bit of the product would survive.
        assert a * a - 1.0 != 2.0**-29 + 2.0**-60


def test_temporary_folder_is_removed(compiler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Closing removes it, twice closing is harmless, and a refused text leaves nothing behind."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    library = calculator()
    assert len(list(tmp_path.iterdir())) == 1
    library.close()
    library.close()
    with pytest.raises(CompileError):
        compile_library({"broken.c": "int f("})
    assert list(tmp_path.iterdir()) == []


def test_address_hands_one_librarys_function_to_another() -> None:
    """A function's address can be cast and called elsewhere; an unknown name is one clear error."""
    with calculator() as library:
        address = library.address_of("add")
        assert library.ffi.cast("int32_t (*)(int32_t, int32_t)", address)(2, 3) == 5
        with pytest.raises(CompileError, match="subtrakt"):
            library.address_of("subtrakt")


def test_named_compiler_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """CC, arguments included, comes before everything on PATH."""
    monkeypatch.setenv("CC", ZIG)
    assert find_compiler().is_zig
    assert find_compiler().command == (sys.executable, "-m", "ziglang", "cc")


def test_named_compiler_that_is_missing_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """The error names the variable and its value."""
    monkeypatch.setenv("CC", "no-such-compiler --fast")
    with pytest.raises(CompileError, match=r"CC.*no-such-compiler"):
        find_compiler()


def test_program_that_is_no_compiler_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A CC that fails when asked for its version is one clear error."""
    fake = tmp_path / "mute"
    fake.write_text("#!/bin/sh\nexit 3\n")
    fake.chmod(0o755)
    monkeypatch.setenv("CC", str(fake))
    with pytest.raises(CompileError, match="version"):
        find_compiler()


def test_no_compiler_at_all_says_how_to_get_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without any compiler the error tells what was looked for and what to install."""
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(CompileError, match="install"):
        find_compiler()


def test_zig_works_without_a_home_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without any place for a cache, the cache lies in the temporary folder and goes with it."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    for name in ("HOME", "XDG_CACHE_HOME", "ZIG_GLOBAL_CACHE_DIR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("CC", ZIG)
    with calculator() as library:
        assert library.lib.add(1, 1) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["../escape.c", "folder/a.c", "sanitizer_runtime.c", "-o.c"])
def test_unusable_file_name_is_refused(name: str) -> None:
    """Names with folders, of the handlers, or that look like a flag are not accepted."""
    with pytest.raises(CompileError, match="file name"):
        compile_library({name: "int x;"})


def test_headers_alone_are_refused() -> None:
    """There must be something to compile."""
    with pytest.raises(CompileError, match="no C source"):
        compile_library({"a.h": "int x;"})
