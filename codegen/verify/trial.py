"""A failing input: what was fed to which controllers, what the last tick had to show, what it showed; as a table and as a C test.

Takes a ``Shape`` and numbers, gives frozen trials and text.  Every property that fails ends in a ``Failure``, whatever it was about.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from codegen.host.controller import CompiledController
from codegen.host.shape import Port, Shape

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Run:
    """One controller of a trial.

    Attributes:
        inputs: (ticks, inputs), raw counts.
        memory: Members to set after initialisation, None to leave it as it is.
        gains: Live gains to set before the first tick, None to leave them.
        flip: (tick before which it happens, member, bit in the host's byte order) of one flipped bit, or None.
    """

    inputs: Counts
    memory: Mapping[str, int] | None = None
    gains: Mapping[str, int] | None = None
    flip: tuple[int, str, int] | None = None


@dataclass(frozen=True)
class Watched:
    """A number looked at in every tick: an output or a member of the state, of one of the runs, with a sign."""

    signal: str
    run: int = 0
    sign: int = 1


@dataclass(frozen=True)
class Failure:
    """A claim about the last tick that does not hold.

    Attributes:
        claim: What ought to hold, one sentence.
        runs: The controllers, all fed for the same number of ticks, in turn.
        watched: Whose signed sum is looked at.
        low: Least value of the sum in the last tick.
        high: Greatest.
        got: The sum, tick by tick.
        optimise: Optimisation flag under which it showed.
        line: Line of the C source where it happened, 0 if the text does not allow to say.
        undefined: What C leaves undefined in the last tick, "" where the claim is about numbers.
    """

    claim: str
    runs: tuple[Run, ...]
    watched: tuple[Watched, ...]
    low: int
    high: int
    got: tuple[int, ...]
    optimise: str = "-O2"
    line: int = 0
    undefined: str = ""

    @property
    def ticks(self) -> int:
        """Length of the input sequence."""
        return len(self.runs[0].inputs)

    @property
    def from_start(self) -> bool:
        """Whether every controller begins as initialised; else from a memory that is legal but was not reached here."""
        return all(run.memory is None for run in self.runs)

    @property
    def expected(self) -> str:
        """What the last tick had to show."""
        if self.undefined:
            return "what C defines"
        return str(self.low) if self.low == self.high else f"{self.low} to {self.high}"

    @property
    def shown(self) -> str:
        """What is looked at."""
        if self.undefined:
            return f"line {self.line}"
        texts = []
        for at, part in enumerate(self.watched):
            sign = "-" if part.sign < 0 else "+" if at else ""
            run = f" of controller {part.run + 1}" if len(self.runs) > 1 else ""
            texts.append(f"{sign} {part.signal}{run}".strip())
        return " ".join(texts)

    def summary(self) -> str:
        """One sentence: claim, what, when, expected and got."""
        begin = "the start" if self.from_start else "a legal memory"
        count = "tick" if self.ticks == 1 else "ticks"
        if self.undefined:
            return f"{self.claim}; {self.ticks} {count} from {begin}: {self.undefined} in line {self.line}"
        return f"{self.claim}; {self.ticks} {count} from {begin}: {self.shown} is {self.got[-1]}, expected {self.expected}"


def watch(host: CompiledController, runs: Sequence[Run], watched: Sequence[Watched]) -> Counts:
    """The signed sum in every tick, (ticks,)."""
    total = np.zeros(len(runs[0].inputs), dtype=np.int64)
    for at, run in enumerate(runs):
        memory = host.start(1)
        for name, value in (run.memory or {}).items():
            memory[host.memory.index(name), 0] = value
        gains = None if run.gains is None else np.array([[run.gains[name]] for name in host.gains], dtype=np.int64)
        if run.flip is None:
            trace = host.run(memory, run.inputs[:, :, None], gains, trace_memory=True)
        else:
            flip = np.array([[run.flip[0]], [host.memory.index(run.flip[1])], [run.flip[2]]], dtype=np.int64)
            trace = host.upset(memory, run.inputs[:, :, None], flip)
        assert trace.memory is not None
        for part in watched:
            if part.run == at:
                member = part.signal.removeprefix("state.")
                column = (
                    trace.memory[:, host.memory.index(member), 0]
                    if part.signal.startswith("state.")
                    else trace.outputs[:, host.outputs.index(member), 0]
                )
                total += part.sign * column
    return total


def segments(failure: Failure) -> list[tuple[int, int]]:
    """(first tick, ticks) of stretches over which no input of any run changes."""
    joined = np.hstack([run.inputs for run in failure.runs])
    starts = {0, *(int(at) + 1 for at in np.flatnonzero(np.any(joined[1:] != joined[:-1], axis=1)))}
    # The last tick stands by itself, because it is judged, and so does a tick before which a bit flips.
    starts |= {failure.ticks - 1, *(run.flip[0] for run in failure.runs if run.flip is not None)}
    ordered = sorted(starts)
    return [(start, end - start) for start, end in zip(ordered, [*ordered[1:], failure.ticks], strict=True)]


def failure_table(failure: Failure, shape: Shape) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """(headings, rows): ticks, inputs of every controller, expected and got."""
    several = len(failure.runs) > 1
    names = [
        f"{port.name} ({at + 1})" if several else port.name for at, _ in enumerate(failure.runs) for port in shape.inputs
    ]
    rows = []
    for start, count in segments(failure):
        ticks = str(start) if count == 1 else f"{start}-{start + count - 1}"
        values = [str(int(value)) for run in failure.runs for value in run.inputs[start]]
        last = start + count == failure.ticks
        got = str(failure.got[start + count - 1]) if failure.got else failure.undefined if last else ""
        rows.append((ticks, *values, failure.expected if last else "", got))
    return ("tick", *names, f"{failure.shown}: expected", "got"), rows


def _literal(port: Port, value: int) -> str:
    if port.ctype == "bool":
        return "true" if value else "false"
    if port.bits <= 32:
        return f"({port.ctype}){value}L" if value >= 0 else f"({port.ctype})({value + 1}L - 1L)"
    return f"INT64_C({value})" if value >= 0 else f"(-INT64_C({-(value + 1)}) - 1)"


def _member(shape: Shape, part: Watched) -> str:
    place = f"state_{part.run + 1}" if part.signal.startswith("state.") else f"out_{part.run + 1}"
    return f"(long long){place}.{part.signal.removeprefix('state.')}"


@dataclass
class _Writer:
    lines: list[str] = field(default_factory=list)

    def put(self, *lines: str) -> None:
        self.lines += lines


def c_test(failure: Failure, shape: Shape, source: str) -> str:
    """A C program that fails as long as the claim does not hold.

    Args:
        failure: What to show.
        shape: Names of the C.
        source: File name of the C source, which the program includes.
    """
    text = _Writer()
    claim = failure.summary().replace("*/", "* /")
    text.put(
        f"/* {claim}.",
        " *",
        f" * Build and run beside {source}:  cc -std=c99 {_flags(failure)} -o check check.c && ./check",
        " */",
        f'#include "{source}"',
        "#include <stdio.h>",
        "",
    )
    width = len(shape.inputs)
    parts = segments(failure)
    for at, run in enumerate(failure.runs):
        text.put(f"/* Ticks for which a row holds, then {', '.join(port.name for port in shape.inputs)}. */")
        text.put(f"static const long rows_{at + 1}[{len(parts)}][{width + 1}] = {{")
        text.put(*(f"    {{{', '.join(str(int(v)) for v in (count, *run.inputs[start]))}}}," for start, count in parts), "};", "")
    text.put("int main(void)", "{")
    for at, run in enumerate(failure.runs):
        text.put(f"    {shape.state_type} state_{at + 1};", f"    {shape.outputs_type} out_{at + 1};")
        text.put(f"    {shape.init}(&state_{at + 1});")
        ports = {port.name: port for port in shape.memory}
        text.put(*(f"    state_{at + 1}.{name} = {_literal(ports[name], value)};" for name, value in (run.memory or {}).items()))
        if run.gains is not None:
            gains = {port.name: port for port in shape.gains}
            text.put(f"    {shape.gains_type} gains_{at + 1};")
            text.put(*(f"    gains_{at + 1}.{name} = {_literal(gains[name], value)};" for name, value in run.gains.items()))
            text.put(f"    {shape.set_gains}(&state_{at + 1}, &gains_{at + 1});")
    text.put(f"    for (int row = 0; row < {len(parts)}; row++) {{", "        for (long tick = 0; tick < rows_1[row][0]; tick++) {")
    for at, run in enumerate(failure.runs):
        if run.flip is not None:
            row = next(place for place, (start, _) in enumerate(parts) if start == run.flip[0])
            byte, bit = divmod(run.flip[2], 8)
            text.put(f"            if (row == {row} && tick == 0) {{ /* a bit flips (bytes as on a little-endian machine) */")
            text.put(f"                ((unsigned char *)&state_{at + 1}.{run.flip[1]})[{byte}] ^= (unsigned char)(1u << {bit});")
            text.put("            }")
        text.put(f"            {shape.inputs_type} in_{at + 1};")
        for place, port in enumerate(shape.inputs):
            value = f"rows_{at + 1}[row][{place + 1}]"
            cast = f"{value} != 0" if port.ctype == "bool" else f"({port.ctype}){value}"
            text.put(f"            in_{at + 1}.{port.name} = {cast};")
        text.put(f"            {shape.step}(&state_{at + 1}, &in_{at + 1}, &out_{at + 1});")
    text.put("        }", "    }")
    if failure.undefined:
        text.put(*(f"    (void)out_{at + 1};" for at, _ in enumerate(failure.runs)))
        text.put(f'    printf("line {failure.line} did not do anything undefined\\n");', "    return 0;", "}", "")
        return "\n".join(text.lines)
    shown = " ".join(f"{'-' if part.sign < 0 else '+'} {_member(shape, part)}" for part in failure.watched)
    text.put(
        f"    const long long got = {shown};",
        f"    const int holds = got >= {_long(failure.low)} && got <= {_long(failure.high)};",
        f'    printf("{failure.shown}: got %lld, expected {failure.expected}\\n", got);',
        "    return holds ? 0 : 1;",
        "}",
        "",
    )
    return "\n".join(text.lines)


def _flags(failure: Failure) -> str:
    return f"{failure.optimise} -fsanitize=undefined -fno-sanitize-recover=all" if failure.undefined else failure.optimise


def _long(value: int) -> str:
    return f"{value}LL" if value > -(2**63) else "(-9223372036854775807LL - 1)"
