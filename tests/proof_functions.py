"""Random small C functions inside the proof's subset, aimed at the edges of their types, and the compiled C to run them in.

Each is a controller in small: a struct of memory, one of inputs, one of outputs, and a step of a few statements.  The generator keeps
a range of its own for every expression (plain corner arithmetic, no refinement) and chooses constants so that results end right
at, just below or just above the end of a type.
"""

from __future__ import annotations

import json
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from codegen.native.compile import compile_library
from codegen.proof.models import DataModel, IntegerType

HOST = DataModel("LP64", 32, 64)
TYPES = ("int8_t", "uint8_t", "int16_t", "uint16_t", "int32_t", "uint32_t", "int64_t")
INTRICACY = 3


@dataclass(frozen=True)
class Piece:
    """An expression with its C type and the range the generator expects."""

    text: str
    kind: IntegerType
    low: int
    high: int


@dataclass(frozen=True)
class Sample:
    """One function with its contract: its structs, and its tables, init and step."""

    name: str
    types: str
    code: str
    contract: str
    inputs: tuple[tuple[str, str, int, int], ...]
    state: tuple[tuple[str, str, int, int], ...]
    outputs: tuple[tuple[str, str, int, int], ...]


def _type(name: str) -> IntegerType:
    kind = HOST.named(name)
    assert kind is not None
    return kind


def _literal(value: int, kind: IntegerType) -> str:
    prefix = "" if kind.signed else "U"
    if kind.signed and value == kind.low and kind.bits >= 32:
        return f"(-INT{kind.bits}_C({-value - 1}) - 1)"
    return f"{prefix}INT{kind.bits}_C({value})" if value >= 0 else f"(-INT{kind.bits}_C({-value}))"


class _Writer:
    def __init__(self, seed: int, *, divisions: bool) -> None:
        self.chance = random.Random(seed)
        self.divisions = divisions
        self.pool: list[Piece] = []
        self.lines: list[str] = []
        self.tables: list[str] = []
        self.names = 0

    def fresh(self) -> str:
        self.names += 1
        return f"v{self.names}"

    def some(self) -> Piece:
        return self.chance.choice(self.pool + self.pool[-3:])

    def cast(self, piece: Piece, name: str) -> Piece:
        kind = _type(name)
        low, high = piece.low, piece.high
        if not kind.signed and (low < kind.low or high > kind.high):
            low, high = kind.low, kind.high
        return Piece(f"({name})({piece.text})", kind, low, high)

    def made(self, text: str, kind: IntegerType, low: int, high: int) -> Piece:
        if not kind.signed and (low < 0 or high > kind.high):
            low, high = 0, kind.high
        return Piece(f"({text})", kind, low, high)

    def expression(self, depth: int) -> Piece:
        if depth == 0:
            return self.some()
        chance = self.chance
        left = self.expression(depth - 1) if chance.random() < 0.6 else self.some()
        if chance.random() < 0.3:
            left = self.cast(left, chance.choice(("int32_t", "int32_t", "int64_t", "int16_t", "uint16_t", "uint32_t")))
        often = (self.aimed_sum, self.aimed_product, self.right_shift, self.clamped)
        others = (self.sum_of, self.left_shift, self.quotient, self.selected, self.guarded, self.entry)
        make = chance.choice((*often, *often, *others, self.masked, self.product_of, self.negated, self.smooth))
        return make(left, depth)

    def aim(self, kind: IntegerType) -> int:
        """A value near an end of a type, or near zero."""
        goal = self.chance.choice((kind.high, kind.high, kind.low, 0))
        return goal + self.chance.choice((-1, 0, 0, 1))

    def aimed_sum(self, left: Piece, _: int) -> Piece:
        kind = HOST.promote(left.kind)
        end = self.chance.choice((left.low, left.high))
        step = min(max(self.aim(kind) - end, kind.low), kind.high)
        if not kind.signed:
            step = max(step, 0)
        return self.made(f"{left.text} + {_literal(step, kind)}", kind, left.low + step, left.high + step)

    def aimed_product(self, left: Piece, _: int) -> Piece:
        kind = HOST.promote(left.kind)
        end = max(abs(left.low), abs(left.high), 1)
        factor = min(max(kind.high // end + self.chance.choice((-1, 0, 0, 1)), 1), kind.high)
        if kind.signed and self.chance.random() < 0.4:
            factor = -factor
        ends = (left.low * factor, left.high * factor)
        product = self.made(f"{left.text} * {_literal(factor, kind)}", kind, min(ends), max(ends))
        if self.chance.random() < 0.5:
            return product
        # What is left up to the end of the type, hit exactly, missed by one, or passed by one.
        rest = kind.high - product.high + self.chance.choice((-1, 0, 1))
        if not 0 <= rest <= kind.high:
            return product
        return self.made(f"{product.text} + {_literal(rest, kind)}", kind, product.low + rest, product.high + rest)

    def sum_of(self, left: Piece, depth: int) -> Piece:
        right = self.expression(depth - 1)
        kind = HOST.common(left.kind, right.kind)
        if self.chance.random() < 0.5:
            return self.made(f"{left.text} + {right.text}", kind, left.low + right.low, left.high + right.high)
        return self.made(f"{left.text} - {right.text}", kind, left.low - right.high, left.high - right.low)

    def product_of(self, left: Piece, _: int) -> Piece:
        right = self.some()
        kind = HOST.common(left.kind, right.kind)
        corners = [a * b for a in (left.low, left.high) for b in (right.low, right.high)]
        product = self.made(f"{left.text} * {right.text}", kind, min(corners), max(corners))
        rest = kind.high - product.high + self.chance.choice((-1, 0, 1))
        if not 0 <= rest <= kind.high or self.chance.random() < 0.4:
            return product
        return self.made(f"{product.text} + {_literal(rest, kind)}", kind, product.low + rest, product.high + rest)

    def right_shift(self, left: Piece, _: int) -> Piece:
        kind = HOST.promote(left.kind)
        count = self.chance.choice((1, 2, 3, 7, 15, kind.bits - 1, kind.bits if self.chance.random() < 0.1 else 4))
        return self.made(f"{left.text} >> {count}", kind, left.low >> count, left.high >> count)

    def left_shift(self, left: Piece, _: int) -> Piece:
        kind = HOST.promote(left.kind)
        room = kind.bits - kind.signed - max(left.high, 1).bit_length()
        count = min(max(room + self.chance.choice((-1, 0, 0, 1)), 0), kind.bits - 1)
        return self.made(f"{left.text} << {count}", kind, left.low << count, left.high << count)

    def quotient(self, left: Piece, depth: int) -> Piece:
        if not self.divisions:
            return self.right_shift(left, depth)
        kind = HOST.promote(left.kind)
        if self.chance.random() < 0.3:
            right = self.some()
            common = HOST.common(left.kind, right.kind)
            size = max(abs(left.low), abs(left.high))
            operator = self.chance.choice("/%")
            return self.made(f"{left.text} {operator} {right.text}", common, -size, size)
        divisor = self.chance.choice((2, 3, 7, 100, 1024, -1, -5) if kind.signed else (2, 3, 7, 100, 1024))
        size = max(abs(left.low), abs(left.high)) // abs(divisor)
        return self.made(f"{left.text} / {_literal(divisor, kind)}", kind, -size if left.low < 0 else 0, size)

    def clamped(self, left: Piece, _: int) -> Piece:
        kind = _type("int64_t" if left.high > 2**31 - 1 or left.low < -(2**31) or left.kind.bits > 32 else "int32_t")
        span = max(left.high - left.low, 4)
        low, high = left.low + span // self.chance.choice((3, 8, 1000)), left.high - span // self.chance.choice((3, 8, 1000))
        low, high = max(min(low, high), kind.low), min(max(low, high), kind.high)
        inner = self.cast(left, kind.name)
        text = f"clamp_{kind.bits}({inner.text}, {_literal(low, kind)}, {_literal(high, kind)})"
        return Piece(text, kind, low, high)

    def selected(self, left: Piece, depth: int) -> Piece:
        right = self.expression(depth - 1)
        kind = HOST.common(left.kind, right.kind)
        test = self.test()
        return self.made(f"{test} ? {left.text} : {right.text}", kind, min(left.low, right.low), max(left.high, right.high))

    def test(self) -> str:
        piece = self.some()
        threshold = self.chance.choice((0, 1, piece.low, piece.high, (piece.low + piece.high) // 2))
        kind = HOST.promote(piece.kind)
        threshold = min(max(threshold, kind.low), kind.high)
        text = f"({piece.text} {self.chance.choice(('<', '<=', '>', '>=', '==', '!='))} {_literal(threshold, kind)})"
        if self.chance.random() < 0.3:
            text = f"({text} {self.chance.choice(('&&', '||'))} !{self.some().text})"
        return text

    def guarded(self, _: Piece, __: int) -> Piece:
        """A step that is safe only because of the branch it stands in, or just not."""
        piece = self.some()
        kind = HOST.promote(piece.kind)
        if not kind.signed:
            return piece
        slack = self.chance.choice((0, 0, 1, -1))
        factor = max((kind.high // max(abs(piece.low), abs(piece.high), 1)) * 2 + 1, 2)
        edge = kind.high // factor + slack
        if not piece.low < edge < piece.high:
            return piece
        limit = _literal(edge, kind)
        text = f"({piece.text} <= {limit} && {piece.text} >= -{limit}) ? {piece.text} * {_literal(factor, kind)} : {limit}"
        return self.made(text, kind, min(-edge * factor, edge), max(edge * factor, edge))

    def entry(self, left: Piece, _: int) -> Piece:
        length = self.chance.choice((2, 4, 5, 8))
        values = [self.chance.choice((0, 1, -1, 32767, -32768, self.chance.randint(-9999, 9999))) for _ in range(length)]
        table = f"t{len(self.tables)}_PREFIX"
        numbers = ", ".join(_literal(value, _type("int32_t")) for value in values)
        self.tables.append(f"static const int32_t {table}[{length}] = {{{numbers}}};")
        span = max(left.high - left.low, 1)
        count = min(max(span.bit_length() - (length.bit_length() - self.chance.choice((0, 1, 1))), 0), HOST.promote(left.kind).bits - 1)
        index = f"({left.text} >> {count})"
        if self.chance.random() < 0.6:
            index = f"clamp_32((int32_t){index}, INT32_C(0), INT32_C({length - self.chance.choice((1, 1, 1, 0))}))"
        elif self.chance.random() < 0.5:
            index = f"((uint32_t){left.text} & {length - 1}u)"
        if self.chance.random() < 0.3:
            inside = f"clamp_32((int32_t){index}, INT32_C(0), INT32_C({length - 2}))"
            return Piece(f"({table}[{inside} + 1] - {table}[{inside}])", _type("int32_t"), -65535, 65535)
        return Piece(f"{table}[{index}]", _type("int32_t"), min(values), max(values))

    def masked(self, left: Piece, _: int) -> Piece:
        """Unsigned arithmetic that wraps by definition."""
        right = self.some()
        bits = self.chance.choice((8, 16, 32))
        mask = (1 << self.chance.choice((3, 7, bits - 1))) - 1
        operator = self.chance.choice("+-^|&")
        limit = _literal(mask, _type("uint32_t"))
        text = f"((uint32_t)((uint{bits}_t){left.text} {operator} (uint{bits}_t){right.text}) & {limit})"
        return Piece(text, _type("uint32_t"), 0, mask)

    def negated(self, left: Piece, _: int) -> Piece:
        kind = HOST.promote(left.kind)
        if self.chance.random() < 0.3:
            return self.made(f"~{left.text}", kind, -left.high - 1, -left.low - 1)
        return self.made(f"-{left.text}", kind, -left.high, -left.low)

    def smooth(self, left: Piece, _: int) -> Piece:
        """x - (x >> k): plain intervals are too wide here."""
        kind = HOST.promote(left.kind)
        count = self.chance.choice((1, 3, 8))
        return self.made(f"{left.text} - ({left.text} >> {count})", kind, left.low, left.high)

    def narrow(self, piece: Piece, name: str) -> str:
        """An expression brought into a type: by a cast, or by a clamp and a cast."""
        kind = _type(name)
        if self.chance.random() < 0.75:
            wide = _type("int64_t")
            ends = [max(kind.low, wide.low), min(kind.high, wide.high)]
            if self.chance.random() < 0.1 and kind.bits < 64:
                ends[1] += 1
            return f"({name})clamp_64((int64_t){piece.text}, {_literal(ends[0], wide)}, {_literal(ends[1], wide)})"
        return f"({name}){piece.text}"

    def statement(self) -> None:
        piece = self.expression(self.chance.randint(1, INTRICACY))
        name, ctype = self.fresh(), self.chance.choice(TYPES)
        kind = _type(ctype)
        if piece.low < kind.low or piece.high > kind.high or self.chance.random() < 0.5:
            ctype = piece.kind.name if piece.kind.name in TYPES else "int64_t"
            kind = _type(ctype)
            text = piece.text if self.chance.random() < 0.7 else self.narrow(piece, ctype)
        else:
            text = self.narrow(piece, ctype)
        if self.chance.random() < 0.15:
            other = self.narrow(self.some(), ctype)
            self.lines += [f"{ctype} {name} = {text};", f"if ({self.test()}) {{", f"    {name} = {other};", "}"]
            self.pool.append(Piece(name, kind, kind.low, kind.high))
        else:
            self.lines.append(f"const {ctype} {name} = {text};")
            low, high = max(piece.low, kind.low), min(piece.high, kind.high)
            self.pool.append(Piece(name, kind, low, high) if low <= high else Piece(name, kind, kind.low, kind.high))


HELPERS = """
static inline int32_t clamp_32(int32_t x, int32_t low, int32_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}

static inline int64_t clamp_64(int64_t x, int64_t low, int64_t high)
{
    return x < low ? low : (x > high ? high : x);
}
"""


def write_text(samples: Sequence[Sample]) -> tuple[str, str]:
    """Source ``samples.c`` and header ``samples.h`` with all of these functions, so that parser and compiler start once for many."""
    header = ["#ifndef SAMPLES_H", "#define SAMPLES_H", "#include <stdbool.h>", "#include <stdint.h>"]
    header += [*(sample.types for sample in samples), "#endif", ""]
    return "\n".join(['#include "samples.h"', HELPERS, *(sample.code for sample in samples)]), "\n".join(header)


def _range(chance: random.Random, kind: IntegerType) -> tuple[int, int]:
    if chance.random() < 0.4:
        return kind.low, kind.high
    high = chance.choice((kind.high, kind.high // 3, 1000, 255, 100, 7))
    high = min(high, kind.high)
    return (chance.choice((0, 0, 1)) if not kind.signed else chance.choice((-high, -high, -high - 1, 0)), high)


def write_sample(seed: int, *, divisions: bool = True) -> Sample:
    """The function of a seed; a wrong division ends the process, so there is a way without."""
    writer = _Writer(seed, divisions=divisions)
    chance = writer.chance
    name = f"f{seed}"
    inputs: list[tuple[str, str, int, int]] = []
    state: list[tuple[str, str, int, int]] = []
    for place in range(chance.randint(1, 3)):
        ctype = chance.choice(TYPES)
        low, high = _range(chance, _type(ctype))
        inputs.append((f"x{place}", ctype, low, high))
        writer.pool.append(Piece(f"inputs->x{place}", _type(ctype), low, high))
    for place in range(chance.randint(1, 2)):
        ctype = chance.choice(("int16_t", "int32_t", "uint8_t"))
        low, high = _range(chance, _type(ctype))
        low = min(low, 0)
        state.append((f"s{place}", ctype, low, high))
        writer.pool.append(Piece(f"state->s{place}", _type(ctype), low, high))
    for _ in range(chance.randint(1, 4)):
        writer.statement()
    body = list(writer.lines)
    for member, ctype, low, high in state:
        piece = writer.some()
        wide = _type("int64_t")
        bounded = f"({ctype})clamp_64((int64_t){piece.text}, {_literal(low, wide)}, {_literal(high, wide)})"
        body.append(f"state->{member} = {bounded};")
    outputs: list[tuple[str, str, int, int]] = []
    for place, local in enumerate(writer.pool[-2:]):
        kind = local.kind
        shown = kind.name if kind.name in TYPES else "int64_t"
        outputs.append((f"y{place}", shown, _type(shown).low, _type(shown).high))
        body.append(f"outputs->y{place} = {local.text};")
    code = "\n".join(
        [
            *writer.tables,
            f"void {name}_init({name}_state *state)",
            "{",
            *(f"    state->{member} = 0;" for member, *_ in state),
            "}",
            f"void {name}_step({name}_state *state, const {name}_inputs *inputs, {name}_outputs *outputs)",
            "{",
            *(f"    {line}" for line in body),
            "}",
            "",
        ]
    ).replace("_PREFIX", f"_{name}")
    contract = {
        "schema": 1,
        "name": name,
        "functions": {"init": f"{name}_init", "step": f"{name}_step", "set_gains": None},
        "text_sha256": {},
        "models": ["LP64"],
        "inputs": [dict(zip(("name", "ctype", "low", "high"), row, strict=True)) for row in inputs],
        "outputs": [dict(zip(("name", "ctype", "low", "high"), row, strict=True)) for row in outputs],
        "state": [dict(zip(("name", "ctype", "low", "high"), row, strict=True)) | {"reset": 0} for row in state],
        "gains": [],
        "model": None,
    }
    return Sample(name, _types(name, inputs, state, outputs), code, json.dumps(contract), tuple(inputs), tuple(state), tuple(outputs))


def _types(name: str, inputs: Sequence[tuple[str, str, int, int]], state: Sequence[tuple[str, str, int, int]],
           outputs: Sequence[tuple[str, str, int, int]]) -> str:
    lines: list[str] = []
    for ending, rows in (("inputs", inputs), ("state", state), ("outputs", outputs)):
        lines += ["typedef struct {", *(f"    {ctype} {member};" for member, ctype, *_ in rows), f"}} {name}_{ending};"]
    return "\n".join(lines)


class SampleLibrary:
    """Many samples compiled into one library with undefined-behaviour checks."""

    def __init__(self, samples: Sequence[Sample]) -> None:
        source, header = write_text(samples)
        runners = [line for sample in samples for line in _runner(sample)]
        entries = [f"        case {place}: run_{sample.name}(count, given, got); break;" for place, sample in enumerate(samples)]
        signature = "void run(int64_t which, int64_t count, const int64_t *given, int64_t *got)"
        choice = "\n".join([signature, "{", "    switch (which) {", *entries, "    }", "}\n"])
        self._place = {sample.name: place for place, sample in enumerate(samples)}
        self.library = compile_library(
            {"samples.h": header, "samples.c": "\n".join([source, *runners, choice])},
            declarations=f"{signature};",
            optimise="-O0",
            sanitize=True,
            warnings_are_errors=False,
        )

    def run(self, sample: Sample, points: Sequence[Mapping[str, int]]) -> tuple[list[dict[str, int]], list[str]]:
        """Memory and outputs after one step from each point, and what the checks reported."""
        ffi = self.library.ffi
        keys = [f"state.{row[0]}" for row in sample.state] + [f"inputs.{row[0]}" for row in sample.inputs]
        shown = [f"state.{row[0]}" for row in sample.state] + [f"outputs.{row[0]}" for row in sample.outputs]
        given = ffi.new("int64_t[]", [point[key] for point in points for key in keys])
        got = ffi.new("int64_t[]", len(points) * len(shown))
        self.library.clear_sanitizer_reports()
        self.library.lib.run(self._place[sample.name], len(points), given, got)
        reports = [f"{report.kind}, line {report.line}" for report in self.library.sanitizer_reports()]
        rows = [
            {key: int(got[row * len(shown) + place]) for place, key in enumerate(shown)} for row in range(len(points))
        ]
        return rows, reports


def _runner(sample: Sample) -> list[str]:
    name = sample.name
    wide_in, wide_out = len(sample.state) + len(sample.inputs), len(sample.state) + len(sample.outputs)
    state = len(sample.state)
    return [
        f"static void run_{name}(int64_t count, const int64_t *given, int64_t *got)",
        "{",
        "    for (int64_t row = 0; row < count; row++) {",
        f"        {name}_state s; {name}_inputs in; {name}_outputs out;",
        *(f"        s.{row[0]} = ({row[1]})given[row * {wide_in} + {place}];" for place, row in enumerate(sample.state)),
        *(f"        in.{row[0]} = ({row[1]})given[row * {wide_in} + {state + place}];" for place, row in enumerate(sample.inputs)),
        f"        {name}_step(&s, &in, &out);",
        *(f"        got[row * {wide_out} + {place}] = (int64_t)s.{row[0]};" for place, row in enumerate(sample.state)),
        *(f"        got[row * {wide_out} + {state + place}] = (int64_t)out.{row[0]};" for place, row in enumerate(sample.outputs)),
        "    }",
        "}",
    ]
