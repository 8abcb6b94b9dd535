"""Structural coverage of a controller under test vectors, as a general-purpose compiler measures it: statements, branches, MC/DC.

Takes header, source and the CSV text of the vectors; compiles them with clang's source-based coverage for this machine, runs them from
the start state on, and reads what llvm-cov says.  A condition counts as shown if two ticks differ in it and in the decision while no
other condition that was evaluated differs (modified condition/decision coverage with the short circuit of C).
"""

from __future__ import annotations

import functools
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.target_tools import lack

# The first of these that is whole; older ones know no MC/DC.
RELEASES = ("19", "20", "21", "22", "18")
MEASURED = ("-std=c99", "-O0", "-fprofile-instr-generate", "-fcoverage-mapping", "-fcoverage-mcdc")
# Kind of a region that is code, not a gap or the body of a macro.
CODE = 0
SECONDS = 120.0


@dataclass(frozen=True)
class Coverage:
    """What the vectors reach.

    Attributes:
        statements: Code regions (a statement, or an arm of an expression), of which ``statements_run`` were run.
        statements_run: See there.
        ways: Both ways of every condition, of which ``ways_gone`` were gone.
        ways_gone: See there.
        conditions: Conditions of decisions with more than one, of which ``conditions_shown`` were shown to decide by themselves.
        conditions_shown: See there.
        missing: Each thing not reached, with its line.
        wrong: Outputs that are not what the vectors say.
    """

    statements: int
    statements_run: int
    ways: int
    ways_gone: int
    conditions: int
    conditions_shown: int
    missing: tuple[str, ...]
    wrong: int


@functools.cache
def need_tools() -> tuple[str, str, str]:
    """Compiler, profile tool and coverage tool of one release; the test is skipped without, or fails where all tools are promised."""
    for release in RELEASES:
        found = [shutil.which(f"{name}-{release}") for name in ("clang", "llvm-profdata", "llvm-cov")]
        if all(found):
            return str(found[0]), str(found[1]), str(found[2])
    lack("clang with MC/DC coverage is missing: packages clang-19, llvm-19 and libclang-rt-19-dev")
    raise AssertionError("unreachable")


def measure(name: str, source: str, header: str, vectors: str, inputs: Sequence[str]) -> Coverage:
    """Run the vectors and measure.

    Args:
        name: Name of the controller.
        source: Text of NAME.c.
        header: Text of NAME.h.
        vectors: CSV text with a header: tick, inputs, outputs.
        inputs: Names of the inputs; the further columns are outputs.
    """
    compiler, profile_tool, coverage_tool = need_tools()
    columns = vectors.partition("\n")[0].split(",")[1:]
    outputs = [column for column in columns if column not in inputs]
    with tempfile.TemporaryDirectory(prefix="loopwright_") as folder:
        place = Path(folder)

        def run(*command: str) -> str:
            environment = {**os.environ, "LLVM_PROFILE_FILE": "run.profraw"}
            done = subprocess.run(
                command, cwd=place, env=environment, capture_output=True, text=True, timeout=SECONDS, check=False
            )
            assert done.returncode == 0, f"{command[0]}: {done.stderr}"
            return done.stdout

        files = {f"{name}.c": source, f"{name}.h": header, "vectors.csv": vectors, "drive.c": _driver(name, inputs, outputs)}
        for file, text in files.items():
            (place / file).write_text(text, encoding="utf-8")
        run(compiler, *MEASURED, "-c", f"{name}.c")
        # The driver is not measured; it writes the profile where the program runs.
        run(compiler, "-std=c99", "-O0", "-c", "drive.c")
        run(compiler, "-fprofile-instr-generate", f"{name}.o", "drive.o", "-o", "drive")
        wrong = int(run("./drive"))
        run(profile_tool, "merge", "run.profraw", "-o", "run.profdata")
        document = json.loads(run(coverage_tool, "export", "drive", "-instr-profile=run.profdata"))
    totals, missing = document["data"][0]["totals"], _missing(document["data"][0]["functions"])
    statements, ways, conditions = (totals[kind] for kind in ("regions", "branches", "mcdc"))
    return Coverage(
        statements["count"],
        statements["covered"],
        ways["count"],
        ways["covered"],
        conditions["count"],
        conditions["covered"],
        missing,
        wrong,
    )


def _missing(functions: Sequence[dict[str, Any]]) -> tuple[str, ...]:
    found: list[str] = []
    for function in functions:
        where = function["name"].rpartition(":")[2]
        found += [f"{where}, line {row[0]}: never run" for row in function["regions"] if row[4] == 0 and row[7] == CODE]
        for row in function["branches"]:
            untried = [way for way, count in (("true", row[4]), ("false", row[5])) if not count]
            found += [f"{where}, line {row[0]}, column {row[1]}: never {way}" for way in untried]
        for row in function["mcdc_records"]:
            shown = next(part for part in row if isinstance(part, list))
            hidden = [place for place, one in enumerate(shown, 1) if not one]
            found += [f"{where}, line {row[0]}: condition {place} is not shown to decide" for place in hidden]
    return tuple(found)


def _driver(name: str, inputs: Sequence[str], outputs: Sequence[str]) -> str:
    """C text that feeds the vectors to one controller and prints how many outputs are wrong."""
    columns = len(inputs) + len(outputs)
    given = "\n".join(f"        in.{member} = value[{place}];" for place, member in enumerate(inputs))
    wanted = "\n".join(f"        wrong += (long long)out.{member} != value[{place}];" for place, member in enumerate(outputs, len(inputs)))
    return f"""#include <stdio.h>
#include "{name}.h"
int main(void)
{{
    {name}_state state;
    {name}_inputs in;
    {name}_outputs out;
    long long tick, value[{columns}], wrong = 0;
    FILE *file = fopen("vectors.csv", "r");
    if (!file || fscanf(file, "%*[^\\n]")) {{
        return 1;
    }}
    {name}_init(&state);
    while (fscanf(file, "%lld", &tick) == 1) {{
        for (int place = 0; place < {columns}; place++) {{
            if (fscanf(file, ",%lld", &value[place]) != 1) {{
                return 1;
            }}
        }}
{given}
        {name}_step(&state, &in, &out);
{wanted}
    }}
    printf("%lld\\n", wrong);
    return 0;
}}
"""
