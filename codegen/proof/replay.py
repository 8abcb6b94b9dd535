"""A witness replayed in the compiled C under undefined-behaviour checks.

Takes a text with its contract and a ``Witness`` or a difference's assignment, gives what the compiled C does there: what the checks
report, and outputs and memory afterwards.  The glue between arrays and structs is made from the contract alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

from codegen.native.compile import SanitizerReport, compile_library
from codegen.proof.contract import Contract, Member, read_contract
from codegen.proof.counterexample import Witness
from codegen.proof.front import read_program
from codegen.proof.refusal import Refusal

_DECLARATION = "void proof_replay(int from_reset, int64_t ticks, int64_t *memory, const int64_t *inputs, int64_t *outputs);"


@dataclass(frozen=True)
class Replay:
    """What the compiled C did.

    Attributes:
        reports: Undefined behaviour that the checks saw; they see no explicit cast that loses a value.
        after: Memory and outputs after the last tick, by ``state.`` and ``outputs.`` names.
    """

    reports: tuple[SanitizerReport, ...]
    after: Mapping[str, int]

    def reports_at(self, place: str) -> tuple[SanitizerReport, ...]:
        """Reports in the file and line of a finding."""
        return tuple(report for report in self.reports if f"{report.file}:{report.line}" == place)


class Replayer:
    """A text compiled with checks.

    Args:
        text_c: The source.
        text_h: The header.
        contract_json: Its contract.

    Raises:
        Refusal: The text cannot be read or is not what the contract describes.
        CompileError: No compiler, or it refuses the text.
    """

    def __init__(self, text_c: str, text_h: str, contract_json: str) -> None:
        contract = read_contract(contract_json)
        name = contract.name
        program = read_program(text_c, f"{name}.c", text_h, f"{name}.h")
        step = program.functions.get(contract.step)
        if step is None or len(step.parameters) != 3:
            raise Refusal("the text", f"there is no function {contract.step} of three pointers")
        self._contract = contract
        structs = [parameter.words[0] for parameter in step.parameters]
        sources = {f"{name}.c": text_c, f"{name}.h": text_h, "proof_glue.c": _glue(contract, structs)}
        self._library = compile_library(sources, declarations=_DECLARATION, sanitize=True, warnings_are_errors=False)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the library."""
        self._library.close()

    def witness(self, witness: Witness) -> Replay:
        """Replay a witness: from the start function if it begins there, else from its memory."""
        return self.run(witness.memory, witness.ticks, from_reset=witness.from_reset)

    def run(self, memory: Mapping[str, int], ticks: Sequence[Mapping[str, int]], *, from_reset: bool) -> Replay:
        """Run ticks from ``memory`` (by ``state.`` names), or from the start function."""
        contract, ffi = self._contract, self._library.ffi
        held = self._numbers([memory.get(f"state.{one.name}", 0) for one in contract.state])
        given = self._numbers([tick.get(f"inputs.{one.name}", 0) for tick in ticks for one in contract.inputs])
        shown = self._numbers([0] * len(contract.outputs))
        self._library.clear_sanitizer_reports()
        self._library.lib.proof_replay(ffi.cast("int", int(from_reset)), len(ticks), held, given, shown)
        after = {f"state.{one.name}": int(held[place]) for place, one in enumerate(contract.state)}
        after |= {f"outputs.{one.name}": int(shown[place]) for place, one in enumerate(contract.outputs)}
        return Replay(tuple(self._library.sanitizer_reports()), after)

    def _numbers(self, values: Sequence[int]) -> Any:
        return self._library.ffi.new("int64_t[]", list(values) or [0])


def _glue(contract: Contract, structs: Sequence[str]) -> str:
    """Host-only C that copies between arrays and the structs."""
    state, inputs, outputs = structs
    load = [_into(f"s.{one.name}", one, f"memory[{place}]") for place, one in enumerate(contract.state)]
    store = [f"    memory[{place}] = (int64_t)s.{one.name};" for place, one in enumerate(contract.state)]
    width = len(contract.inputs)
    read = [_into(f"in.{one.name}", one, f"inputs[tick * {width} + {place}]") for place, one in enumerate(contract.inputs)]
    show = [f"    outputs[{place}] = (int64_t)out.{one.name};" for place, one in enumerate(contract.outputs)]
    lines = [
        f'#include "{contract.name}.h"',
        "#include <string.h>",
        _DECLARATION,
        _DECLARATION.rstrip(";"),
        "{",
        f"    {state} s;",
        f"    {inputs} in;",
        f"    {outputs} out;",
        "    memset(&s, 0, sizeof s);",
        "    memset(&in, 0, sizeof in);",
        "    memset(&out, 0, sizeof out);",
        f"    if (from_reset) {{ {contract.init}(&s); }} else {{",
        *load,
        "    }",
        "    for (int64_t tick = 0; tick < ticks; tick++) {",
        *read,
        f"    {contract.step}(&s, &in, &out);",
        "    }",
        *store,
        *show,
        "}",
        "",
    ]
    return "\n".join(lines)


def _into(target: str, member: Member, value: str) -> str:
    return f"    {target} = {value} != 0;" if member.ctype == "bool" else f"    {target} = ({member.ctype}){value};"
