"""Hand-written C against a float64 reference that its author gives as a Python function.

Takes a contract and a subject, gives the law that the outputs stay within their tolerances of the reference.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.handwritten.contract import Contract, ContractError
from codegen.verify.law import Found, Generator, Law, always
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure, Run, Watched, watch

Counts = NDArray[np.int64]
StepReference = Callable[[dict[str, Any], Mapping[str, float]], Mapping[str, float]]
TICKS, LANES = 400, 12
PUSH_TICKS, TINY_TICKS = 200, 5000
SHRINK_SECONDS = 3.0


def load_reference(path: Path, function: str) -> StepReference:
    """The function in a Python file.

    Raises:
        ContractError: There is no such file or function, or the file does not run.
    """
    if not path.is_file():
        raise ContractError("the reference's file is missing", str(path), "put it beside the contract")
    spec = importlib.util.spec_from_file_location(f"reference_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise ContractError("the reference is no Python file", str(path), "name a file that ends in .py")
    module = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(module)
    except Exception as error:  # whatever the user's own code raises is told, not hidden
        raise ContractError(f"the reference does not run: {type(error).__name__}: {error}", str(path), "mend the file") from error
    found = getattr(module, function, None)
    if not callable(found):
        raise ContractError(f"there is no function {function}", str(path), "name it in [reference] function")
    step: StepReference = found
    return step


def _limits(contract: Contract, step: StepReference, inputs: Counts) -> list[dict[str, tuple[int, int]]]:
    """Per tick and output: the least and the greatest count that the tolerance allows."""
    memory: dict[str, Any] = {}
    ports = contract.shape.inputs
    outputs = {port.name: port for port in contract.shape.outputs}
    result = []
    for row in inputs:
        reals = {port.name: float(int(value)) * port.per_count for port, value in zip(ports, row, strict=True)}
        try:
            said = step(memory, reals)
            wanted = {name: float(said[name]) for name in contract.tolerances}
        except Exception as error:  # the user's own code
            what = f"the reference fails: {type(error).__name__}: {error}"
            raise ContractError(what, str(contract.reference), "it takes (memory, inputs) and returns every output by name") from error
        limits = {}
        for name, value in wanted.items():
            if not math.isfinite(value):
                raise ContractError(f"the reference says {value} for {name}", str(contract.reference), "keep it finite")
            count, room = value / outputs[name].per_count, contract.tolerances[name] / outputs[name].per_count
            limits[name] = (math.ceil(count - room - 1e-9), math.floor(count + room + 1e-9))
        result.append(limits)
    return result


def _judge(contract: Contract, step: StepReference, subject: Subject, inputs: Counts) -> Failure | None:
    """The earliest tick in which an output is beyond its tolerance over inputs (ticks, inputs) from the start."""
    host = subject.host()
    outputs = host.run(host.start(1), inputs[:, :, None]).outputs[:, :, 0]
    for tick, limits in enumerate(_limits(contract, step, inputs)):
        for name, (low, high) in limits.items():
            if not low <= int(outputs[tick, host.outputs.index(name)]) <= high:
                runs, watched = (Run(inputs[: tick + 1].copy()),), (Watched(name),)
                claim = f"{name} stays within {contract.tolerances[name]:g} of the reference"
                got = tuple(int(v) for v in watch(host, runs, watched))
                return Failure(claim, runs, watched, low, high, got)
    return None


def _courses(subject: Subject, rng: Generator) -> list[Counts]:
    """Inputs (ticks, inputs) to compare over: every class of draws, and pushes that are followed by next to nothing for long."""
    result = []
    for kind in subject.kinds:
        drawn = subject.draw(kind, rng, TICKS, LANES)
        result += [np.ascontiguousarray(drawn[:, :, lane]) for lane in range(LANES)]
    ports = subject.shape.inputs
    rest = np.array([1 if port.ctype == "bool" else max(port.low, min(port.high, 0)) for port in ports], dtype=np.int64)
    for at, port in enumerate(ports):
        if port.ctype == "bool":
            continue
        for end in (port.low, port.high):
            for step in (-1, 1):
                pushed, tiny = rest.copy(), rest.copy()
                pushed[at] = end
                tiny[at] = max(port.low, min(port.high, int(rest[at]) + step))
                push = int(rng.integers(1, PUSH_TICKS))
                result.append(np.concatenate([np.repeat(pushed[None], push, axis=0), np.repeat(tiny[None], TINY_TICKS, axis=0)]))
    return result


def reference_law(contract: Contract, step: StepReference) -> Law:
    """The law for one contract."""

    def check(subject: Subject, rng: Generator) -> Found:
        count = 0
        for inputs in _courses(subject, rng):
            failure = _judge(contract, step, subject, inputs)
            count += len(inputs)
            if failure is not None:
                return Found(count, shrink(failure, lambda runs: _judge(contract, step, subject, runs[0].inputs), SHRINK_SECONDS))
        return Found(count)

    tolerances = ", ".join(f"{name} {tolerance:g}" for name, tolerance in contract.tolerances.items())
    return Law("reference", f"outputs stay within their tolerances of the float64 reference ({tolerances})", always, check)
