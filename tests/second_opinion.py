"""A second, independent reading of the emitted C: the value analysis of Frama-C in one-step inductive form.

The harness gives memory and inputs any value of the contract's boxes, calls the step once and asserts the boxes again: if nothing is
alarmed, the boxes are an invariant and the step has no undefined behaviour and no lossy conversion.  The contract is shared with
our own proof, the reading of the C and the arithmetic are not.  ``gcc_x86_16`` and ``gcc_x86_32`` stand for their integer widths.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

MACHINES = {"LP64": "gcc_x86_64", "ILP32": "gcc_x86_32", "I16": "gcc_x86_16"}
COMMAND = "frama-c"


@dataclass(frozen=True)
class Opinion:
    """What the value analysis says.

    Attributes:
        alarms: Possible undefined behaviour or lossy conversions, with their places.
        unproved: Assertions of the harness that are not shown to be valid.
        valid: Assertions that are.
    """

    alarms: tuple[str, ...]
    unproved: int
    valid: int


def is_installed() -> bool:
    """Whether the tool is here."""
    return shutil.which(COMMAND) is not None


def harness(contract_json: str) -> str:
    """C text of one inductive step, and of the setter of gains where there is one."""
    contract = json.loads(contract_json)
    name = contract["name"]
    lines = ['#include "__fc_builtin.h"', f'#include "{name}.c"', "int main(void)", "{", f"    {name}_state s;"]
    lines += [f"    {name}_inputs in;", f"    {name}_outputs out;"]
    lines += [_any("s", row) for row in contract["state"]] + [_any("in", row) for row in contract["inputs"]]
    if contract["functions"]["set_gains"]:
        lines += [f"    {name}_gains gains;", *(_any("gains", row) for row in contract["gains"])]
        lines.append(f"    if (Frama_C_int_interval(0, 1)) {{ {contract['functions']['set_gains']}(&s, &gains); }}")
    lines.append(f"    {contract['functions']['step']}(&s, &in, &out);")
    lines += [_assert("s", row) for row in contract["state"]] + [_assert("out", row) for row in contract["outputs"]]
    return "\n".join([*lines, "    return 0;", "}", ""])


def _any(owner: str, row: dict[str, Any]) -> str:
    if row["ctype"] == "bool":
        return f"    {owner}.{row['name']} = Frama_C_int_interval(0, 1) != 0;"
    return f"    {owner}.{row['name']} = ({row['ctype']})Frama_C_long_long_interval({row['low']}LL, {row['high']}LL);"


def _assert(owner: str, row: dict[str, Any]) -> str:
    return f"    /*@ assert {row['low']} <= {owner}.{row['name']} <= {row['high']}; */"


def ask(source: str, header: str, contract_json: str, model: str, precision: int = 3) -> Opinion:
    """Run the value analysis on one step under a data model."""
    name = json.loads(contract_json)["name"]
    with tempfile.TemporaryDirectory(prefix="loopwright_") as folder:
        place = Path(folder)
        (place / f"{name}.c").write_text(source, encoding="utf-8")
        (place / f"{name}.h").write_text(header, encoding="utf-8")
        (place / "harness.c").write_text(harness(contract_json), encoding="utf-8")
        options = ["-machdep", MACHINES[model], "-eva", "-eva-precision", str(precision), "-warn-signed-downcast"]
        done = subprocess.run(
            [COMMAND, *options, str(place / "harness.c")], cwd=place, capture_output=True, text=True, timeout=280, check=False
        )
    text = done.stdout
    if done.returncode != 0 or "ANALYSIS SUMMARY" not in text:
        raise AssertionError(f"the value analysis did not finish:\n{text[-2000:]}{done.stderr[-2000:]}")
    found = re.search(r"Assertions +(\d+) valid +(\d+) unknown +(\d+) invalid", text)
    assert found is not None
    alarms = tuple(" ".join(match.split()) for match in re.findall(r"\[eva:alarm\] (\S+ Warning: +(?!assertion got).*\n.*)", text))
    return Opinion(alarms, int(found[2]) + int(found[3]), int(found[1]))
