"""Cross compilation of a controller into a bare-metal image.

Takes C text with its ``Shape`` and a target, gives a ``TargetImage``.  The GNU cross compiler is used where it is installed, else the
one that installs with pip; start-up code and linker script are our own, so nothing else is needed.
"""

from __future__ import annotations

import importlib.util
import shutil
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
from codegen.native.tool import WARNING_FLAGS, run_tool, tool_version
from codegen.resources import templates_folder
from codegen.rules.fixed import FixedGraph
from codegen.target.image import LAYOUT_SECTION, TargetImage, layout_members, read_image
from codegen.targets import Target

CompilerKind = Literal["gcc", "zig"]
Optimise = Literal["-O2", "-Os"]
CALLED = "cross compiler"
WARNINGS = (*WARNING_FLAGS, "-Werror")
# Unwind tables are of no use in C and would be linked.
LANGUAGE = ("-std=c99", "-ffp-contract=off", "-gdwarf-4", "-fno-unwind-tables", "-fno-asynchronous-unwind-tables")
ENTRIES = {"avr": "reset_vector", "arm": "reset_handler", "riscv": "reset_handler"}
STARTS = {"avr": "start_avr.S", "arm": "start_arm.c", "riscv": "start_riscv.S"}
SUPPORT_PATTERN = "*support_*"
LINKER_SCRIPT = "link.ld"
# Flag under which a loop that copies is not made into a call of the function that it is.
NO_LIBRARY_CALLS: dict[CompilerKind, str] = {"gcc": "-fno-tree-loop-distribute-patterns", "zig": "-fno-builtin"}


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

    def run(self, arguments: Sequence[str], folder: Path) -> None:
        """Run it in ``folder``.

        Raises:
            CompileError: It cannot be started, hangs, or refuses; with its first lines.
        """
        run_tool(self.command, arguments, folder, version=self.version, is_zig=self.kind == "zig", what=CALLED)


@dataclass(frozen=True)
class Unit:
    """A file to compile.

    Attributes:
        file: Its path from where the compiler runs.
        flags: Its own flags, optimisation among them.
    """

    file: str
    flags: tuple[str, ...]

    @property
    def object(self) -> str:
        """Name of the object file."""
        return f"{Path(self.file).stem}.o"

    @property
    def is_c(self) -> bool:
        """Whether it is C and no assembly."""
        return self.file.endswith(".c")


def find_cross_compiler(target: Target, kind: CompilerKind | None = None) -> CrossCompiler:
    """Return the compiler for ``target``: the GNU one if installed, else the pip-installed one; or the kind asked for.

    Raises:
        CompileError: There is none; with what to install.
    """
    gcc, zig = target.gcc, target.zig
    if kind in (None, "gcc"):
        path = shutil.which(gcc.command)
        if path is not None:
            return CrossCompiler("gcc", (path,), tool_version((path,), what=CALLED), gcc.flags, gcc.libraries)
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
    zig_command = (sys.executable, "-m", "ziglang")
    version = "zig " + tool_version(zig_command, "version", what=CALLED)
    return CrossCompiler("zig", (*zig_command, "cc"), version, zig.flags, zig.libraries)


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
    start = STARTS[target.chip.family]
    files = {
        **sources,
        f"support_{start}": template(f"target/{start}"),
        "support_driver.c": _driver(shape),
        "support_layout.c": layout_table(shape),
        "memory.c": template("target/memory.c"),
        LINKER_SCRIPT: linker_script(target),
    }
    units = [Unit(name, (optimise, *flags)) for name in sources if name.endswith(".c")]
    units += [Unit(name, support_flags(tool.kind)) for name in files if name not in sources and name != LINKER_SCRIPT]
    return link_image(tool, files, units, shape, target, optimise, libraries=libraries)


def support_flags(kind: CompilerKind) -> tuple[str, ...]:
    """Flags of everything but the controller."""
    return ("-O2", NO_LIBRARY_CALLS[kind], "-ffunction-sections")


def compile_flags(unit: Unit) -> tuple[str, ...]:
    """All flags of a unit but those that select the core."""
    return (*LANGUAGE, *WARNINGS, *unit.flags) if unit.is_c else ()


def link_flags(target: Target) -> tuple[str, ...]:
    """Flags of the linker's call."""
    return ("-nostartfiles", "-nostdlib", "-Wl,--gc-sections", f"-Wl,-e,{ENTRIES[target.chip.family]}", f"-Wl,-T,{LINKER_SCRIPT}")


def link_image(
    tool: CrossCompiler,
    files: Mapping[str, str],
    units: Sequence[Unit],
    shape: Shape,
    target: Target,
    optimise: str,
    *,
    libraries: Sequence[str] = (),
    folder: str = ".",
) -> TargetImage:
    """Compile ``units`` and link them.

    Args:
        tool: The compiler.
        files: Path to text, everything that the units and the linker need.
        units: What to compile, by path from ``folder``.
        shape: The controller's.
        target: What for.
        optimise: The controller's optimisation flag, to be noted.
        libraries: Further libraries.
        folder: Where the compiler runs, a path in ``files``.

    Raises:
        CompileError: The compiler refuses.
    """
    with tempfile.TemporaryDirectory(prefix="loopwright_", ignore_cleanup_errors=True) as name:
        root = Path(name)
        for path, text in files.items():
            (root / path).parent.mkdir(parents=True, exist_ok=True)
            (root / path).write_text(text, encoding="utf-8")
        place = root / folder
        # Neither the folder nor the command that names it may get into the debugging information: images repeat byte for byte.
        nameless = (f"-fdebug-prefix-map={place}=.", "-gno-record-gcc-switches")
        for unit in units:
            tool.run((*tool.flags, *compile_flags(unit), *(nameless if unit.is_c else ()), "-c", unit.file, "-o", unit.object), place)
        objects = [unit.object for unit in units]
        tool.run((*tool.flags, *link_flags(target), *objects, *libraries, *tool.libraries, "-o", "image.elf"), place)
        elf = (place / "image.elf").read_bytes()
    return read_image(elf, shape, target, tool.version, optimise)


def template(path: str, /, **values: object) -> str:
    """A file of the folder of C templates with its places filled in."""
    loader = FileSystemLoader(templates_folder())
    environment = Environment(loader=loader, undefined=StrictUndefined, keep_trailing_newline=True, autoescape=False)
    return environment.get_template(path).render(**values)


def linker_script(target: Target, support: str = SUPPORT_PATTERN) -> str:
    """Linker script of a target, from its memory map; ``support`` matches the objects that are not the controller."""
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
        support=support,
    )


def _driver(shape: Shape) -> str:
    """C that drives the controller: memory for one controller, and a loop over many ticks."""
    return template(
        "target/driver.c.jinja",
        header=shape.header,
        state=shape.state_type,
        inputs=shape.inputs_type,
        outputs=shape.outputs_type,
        init=shape.init,
        step=shape.step,
    )


def layout_table(shape: Shape) -> str:
    """C whose object file holds the sizes and offsets of the controller's structs."""
    numbers = [f"sizeof({name})" for name in (shape.inputs_type, shape.outputs_type, shape.state_type)]
    numbers += [f"offsetof({owner}, {port.name})" for owner, port in layout_members(shape)]
    return template("target/layout.c.jinja", header=shape.header, section=LAYOUT_SECTION, numbers=numbers)
