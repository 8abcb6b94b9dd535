"""Many mutants in one C text: every global name gets the mutant's number, and glue copies numbers in and out of the structs.

Takes mutants and the controller's outer shape; gives the text that ``worker`` compiles.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from codegen.defects.planting import Mutant
from codegen.defects.reading import blank_comments
from codegen.host.shape import Port, Shape, assign

GLOBALS = (
    re.compile(r"^(?:static (?:inline )?)?(?:const )?\w+ \*?(\w+)\([^;{]*\)\s*[;{]", re.MULTILINE),
    re.compile(r"^static (?:const )?\w+ (\w+)(?:\[\d*\])?\s*[=;]", re.MULTILINE),
    re.compile(r"^\} (\w+);", re.MULTILINE),
    re.compile(r"^typedef \w+ (\w+)\[", re.MULTILINE),
    re.compile(r"^#define (\w+)", re.MULTILINE),
)


def renamed(mutant: Mutant, number: int) -> str:
    """Header and source of a mutant in one text, all its global names ending in its number.

    Line directives make the compiler speak of the mutant's own lines.
    """
    header = f'#line 1 "h{number}.h"\n{mutant.header}\n'
    source = re.sub(r'^#include "[^"]*"$', "", mutant.source, flags=re.MULTILINE)
    plain = blank_comments(mutant.header + mutant.source)
    names = {name for pattern in GLOBALS for name in pattern.findall(plain)}
    pattern = re.compile(r"\b(" + "|".join(sorted(map(re.escape, names), key=len, reverse=True)) + r")\b")
    return pattern.sub(rf"\1_m{number}", f'{header}#line 1 "m{number}.c"\n{source}\n')


def _read(ports: Sequence[Port], target: str, source: str) -> list[str]:
    return [assign(f"{target}{port.name}", port.ctype, f"{source}[{place} * lanes + lane]") for place, port in enumerate(ports)]


def _glue(shape: Shape, number: int) -> str:
    tail = f"_m{number}"
    state, inputs, outputs = shape.state_type + tail, shape.inputs_type + tail, shape.outputs_type + tail
    gain = [f"    (void)p; (void){'values'}; (void)lanes; (void)lane;"]
    if shape.gains:
        gain = [f"    {shape.gains_type}{tail} gains;", *_read(shape.gains, "gains.", "values"), f"    {shape.set_gains}{tail}(p, &gains);"]
    shown = [f"    values[{place}] = (int64_t)out.{port.name};" for place, port in enumerate(shape.outputs)]
    kept = [f"    values[{len(shape.outputs) + place}] = (int64_t)s->{port.name};" for place, port in enumerate(shape.memory)]
    return "\n".join(
        [
            f'#line 1 "glue{number}.c"',
            f"static void start{tail}(void *p) {{ {shape.init}{tail}(p); }}",
            f"static void load{tail}(void *p, const int64_t *memory, int64_t lanes, int64_t lane)",
            "{",
            f"    {state} *s = p;",
            "    (void)s; (void)memory; (void)lanes; (void)lane;",
            *_read(shape.memory, "s->", "memory"),
            "}",
            f"static void gain{tail}(void *p, const int64_t *values, int64_t lanes, int64_t lane)",
            *["{", *gain, "}"],
            f"static void tick{tail}(void *p, const int64_t *inputs, int64_t lanes, int64_t lane, int64_t *values)",
            "{",
            f"    {state} *s = p;",
            f"    {inputs} in;",
            f"    {outputs} out = {{0}};",
            *_read(shape.inputs, "in.", "inputs"),
            f"    {shape.step}{tail}(s, &in, &out);",
            *shown,
            *kept,
            "}",
        ]
    )


def batch_text(mutants: Sequence[Mutant], shape: Shape) -> str:
    """C text that holds all the mutants, the driver, and the table the driver looks them up in."""
    driver = Path(__file__).with_name("driver.c").read_text(encoding="utf-8")
    parts = [driver, "#include <stdbool.h>"]
    rows = []
    for number, mutant in enumerate(mutants):
        parts += [renamed(mutant, number), _glue(shape, number)]
        tail = f"_m{number}"
        rows.append(f"    {{(int64_t)sizeof({shape.state_type}{tail}), start{tail}, load{tail}, gain{tail}, tick{tail}}},")
    return "\n".join([*parts, "const subject subjects[] = {", *rows, "};", ""])
