"""Cross compilation of a controller into a bare-metal image.

Takes C text with its ``Shape`` and a target, gives a ``TargetImage``.  The GNU cross compiler is used where it is installed, else the
one that installs with pip; start-up code and linker script are our own, so nothing else is needed.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from codegen.emit import Emission
from codegen.errors import CompileError
from codegen.host.shape import Shape, shape_of
from codegen.resources import templates_folder
from codegen.rules.fixed import FixedGraph
from codegen.target.image import LAYOUT_SECTION, TargetImage, layout_members, read_image
from codegen.targets import Target

CompilerKind = Literal["gcc", "zig"]
Optimise = Literal["-O2", "-Os"]
WARNINGS = ("-Wall", "-Wextra", "-Wconversion", "-Wpedantic", "-Wshadow", "-Werror")
# Unwind tables are of no use in C and would be linked.
LANGUAGE = ("-std=c99", "-ffp-contract=off", "-g", "-fno-unwind-tables", "-fno-asynchronous-unwind-tables")
ENTRIES = {"avr": "reset_vector", "arm": "reset_handler", "riscv": "reset_handler"}
STARTS = {"avr": "start_avr.S", "arm": "start_arm.c", "riscv": "start_riscv.S"}
SUPPORT_PATTERN = "*support*"
_SECONDS = 300.0
_SHOWN_LINES = 12


@dataclass(frozen=True)
class CrossCompiler:
    """A compiler for one target.

    Attributes:
        kind: Which of the two.
        command: Program and leading arguments.
        version: First line of its answer to ``--version``.
        flags: What selects the core.
        libraries: What to link for the helpers of wide arithmetic.
    """

    kind: CompilerKind
    command: tuple[str, ...]
    version: str
    flags: tuple[str, ...]
    libraries: tuple[str, ...]

    @property
    def no_library_calls(self) -> str:
        """Flag under which a loop that copies is not made into a call of the function that it is."""
        return "-fno-tree-loop-distribute-patterns" if self.kind == "gcc" else "-fno-builtin"


def find_cross_compiler(target: Target, kind: CompilerKind | None = None) -> CrossCompiler:
    """Return the compiler for ``target``: the GNU one if installed, else the pip-installed one; or the kind asked for.

    Raises:
        CompileError: There is none; with what to install.
    """
    gcc, zig = target.gcc, target.zig
    if kind in (None, "gcc"):
        path = shutil.which(gcc.command)
        if path is not None:
            return CrossCompiler("gcc", (path,), _version((path,)), gcc.flags, gcc.libraries)
        if kind == "gcc":
            raise CompileError(f"there is no program {gcc.command}", target.name, f"install {gcc.command}")
    if not zig.links:
        raise CompileError(
            f"there is no program {gcc.command}, and the pip-installed compiler lacks a runtime library for this core",
            target.name,
            f"install {gcc.command}",
        )
    if importlib.util.find_spec("ziglang") is None:
        raise CompileError(
            f"there is no cross compiler (looked for {gcc.command} and the Python package ziglang)",
            target.name,
            f"install {gcc.command}, or `pip install ziglang`",
        )
    command = (sys.executable, "-m", "ziglang", "cc")
    return CrossCompiler("zig", command, "zig " + _version((sys.executable, "-m", "ziglang"), "version"), zig.flags, zig.libraries)


def build_emission(
    emission: Emission, fixed: FixedGraph, target: Target, *, optimise: Optimise = "-O2", compiler: CompilerKind | None = None
) -> TargetImage:
    """The image of an emitted controller; see ``build_image``."""
    sources = {f"{emission.name}.h": emission.header, f"{emission.name}.c": emission.source}
    return build_image(sources, shape_of(emission.name, fixed), target, optimise=optimise, compiler=compiler)


def build_image(
    sources: Mapping[str, str],
    shape: Shape,
    target: Target,
    *,
    optimise: Optimise = "-O2",
    compiler: CompilerKind | None = None,
    flags: Sequence[str] = (),
    libraries: Sequence[str] = (),
) -> TargetImage:
    """Compile and link a controller for ``target``.

    Args:
        sources: File name to text, the header that the shape names among them; compiled with warnings as errors.
        shape: Its functions, structs and members.
        target: What for.
        optimise: Optimisation flag.
        compiler: Which compiler; None takes the first that is installed.
        flags: Further flags for the controller.
        libraries: Further libraries to link.

    Raises:
        CompileError: No compiler for this target, or it refuses the text.
    """
    tool = find_cross_compiler(target, compiler)
    files = {
        **sources,
        f"support_{STARTS[target.chip.family]}": template(f"target/{STARTS[target.chip.family]}"),
        "support_driver.c": _driver(shape),
        "memory.c": template("target/memory.c"),
    }
    base = (*tool.flags, *LANGUAGE, *WARNINGS)
    with tempfile.TemporaryDirectory(prefix="loopwright_", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        prefix = f"-fdebug-prefix-map={folder}=."
        objects = []
        for file, text in files.items():
            (folder / file).write_text(text, encoding="utf-8")
        for file in files:
            if not file.endswith((".c", ".S")):
                continue
            objects.append(f"{Path(file).stem}.o")
            own = (optimise, *flags) if file in sources else ("-O2", tool.no_library_calls, "-ffunction-sections")
            language = tuple(flag for flag in base if flag != "-std=c99") if file.endswith(".S") else base
            run_tool(tool, (*language, *own, prefix, "-c", file, "-o", objects[-1]), folder)
        (folder / "link.ld").write_text(linker_script(target), encoding="utf-8")
        options = ("-nostartfiles", "-nostdlib", "-Wl,--gc-sections", f"-Wl,-e,{ENTRIES[target.chip.family]}", "-Wl,-T,link.ld")
        run_tool(tool, (*tool.flags, *options, *objects, *libraries, *tool.libraries, "-o", "image.elf"), folder)
        elf = (folder / "image.elf").read_bytes()
    return read_image(elf, shape, target, tool.version, optimise)


def template(name: str, **values: object) -> str:
    """A file of the folder of C templates with its places filled in."""
    loader = FileSystemLoader(templates_folder())
    environment = Environment(loader=loader, undefined=StrictUndefined, keep_trailing_newline=True, autoescape=False)
    return environment.get_template(name).render(**values)


def linker_script(target: Target) -> str:
    """Linker script of a target, from its memory map."""
    chip = target.chip
    return template(
        f"target/link_{chip.family}.ld.jinja",
        target=target.name,
        source=chip.source,
        flash_origin=f"0x{chip.flash_origin:x}",
        flash_bytes=f"0x{chip.flash_bytes:x}",
        ram_origin=f"0x{chip.ram_origin:x}",
        ram_bytes=f"0x{chip.ram_bytes:x}",
        ram_end=f"0x{chip.ram_origin + chip.ram_bytes:x}",
        support=SUPPORT_PATTERN,
    )


def _driver(shape: Shape) -> str:
    """C that drives the controller: a layout table, memory for one controller, and a loop over many ticks."""
    state, inputs, outputs = shape.state_type, shape.inputs_type, shape.outputs_type
    numbers = [f"sizeof({name})" for name in (inputs, outputs, state)]
    numbers += [f"offsetof({owner}, {port.name})" for owner, port in layout_members(shape)]
    return template(
        "target/driver.c.jinja",
        header=shape.header,
        state=state,
        inputs=inputs,
        outputs=outputs,
        init=shape.init,
        step=shape.step,
        section=LAYOUT_SECTION,
        numbers=numbers,
    )


def run_tool(tool: CrossCompiler, arguments: Sequence[str], folder: Path) -> None:
    """Run a cross compiler in ``folder``.

    Raises:
        CompileError: It cannot be started, hangs, or refuses; with its first lines.
    """
    environment = dict(os.environ)
    if tool.kind == "zig" and not any(environment.get(key) for key in ("ZIG_GLOBAL_CACHE_DIR", "XDG_CACHE_HOME", "HOME")):
        environment["ZIG_GLOBAL_CACHE_DIR"] = str(folder / "cache")
    try:
        done = subprocess.run(
            [*tool.command, *arguments],
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
        raise CompileError(f"the cross compiler did not finish within {_SECONDS:g} s", tool.version) from error
    except OSError as error:
        raise CompileError(f"the cross compiler cannot be started: {error.strerror}", tool.command[0]) from error
    if done.returncode != 0:
        lines = (done.stderr + done.stdout).strip().splitlines()
        shown = "\n    ".join(lines[:_SHOWN_LINES]) or f"exit status {done.returncode} without a message"
        raise CompileError(f"the cross compiler refused the text:\n    {shown}", tool.version)


def _version(command: tuple[str, ...], question: str = "--version") -> str:
    try:
        done = subprocess.run(
            [*command, question], stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60.0, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise CompileError(f"the cross compiler does not tell its version: {error}", " ".join(command)) from error
    lines = done.stdout.strip().splitlines()
    if done.returncode != 0 or not lines:
        raise CompileError("the cross compiler does not tell its version", " ".join(command), "check that it runs by itself")
    return lines[0]
