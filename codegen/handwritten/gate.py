"""The gate for hand-written C: the properties that need no integer model, the reference, and faults at run time.

Takes a contract and texts, gives a ``HandwrittenCheck``.  Every stage runs in a process of its own, because C that indexes beyond an
array or divides by zero ends the process it runs in; that is then a verdict and not an end.
"""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass

from codegen.handwritten.contract import Contract
from codegen.handwritten.reference import load_reference, reference_law
from codegen.verify import defined, instances, limits
from codegen.verify.faults import FaultCheck, check_faults
from codegen.verify.law import Law
from codegen.verify.properties import PropertyCheck, PropertyResult, check_properties
from codegen.verify.subject import Subject

LAWS: tuple[Law, ...] = (*defined.LAWS, *limits.LAWS, *instances.LAWS)
FLIPS, SENSOR_FAULTS = 20_000, 5_000
REFERENCE = "reference"
FAULTS = "faults at run time"


@dataclass(frozen=True)
class HandwrittenCheck:
    """What the gate found.

    Attributes:
        contract: What was judged.
        properties: The properties, in the order tried; with the reference, if there is one.
        faults: Faults at run time, None if the C ended the process or the time was used up.
        crashed: Stages in which the C ended the process it ran in.
        seed: Seed of all draws.
        seconds: Time it took.
        left_out: Stages that the time did not reach.
    """

    contract: Contract
    properties: PropertyCheck
    faults: FaultCheck | None
    crashed: tuple[str, ...]
    seed: int
    seconds: float
    left_out: tuple[str, ...]

    @property
    def failures(self) -> tuple[str, ...]:
        """What does not hold, one sentence each."""
        found = [f"{result.name}: {result.failure.summary()}" for result in self.properties.results if result.failure is not None]
        ends = "the C ends the process it runs in (an index beyond an array, a division by zero, ...)"
        found += [f"{stage}: {ends}" for stage in self.crashed]
        if self.faults is not None:
            found += self.faults.failures
        return tuple(found)


def subject_of(contract: Contract, sources: Mapping[str, str]) -> Subject:
    """Hand-written C as a subject."""
    return Subject(contract.shape, dict(sources), contract.source, warnings_are_errors=False)


def _try_law(contract: Contract, sources: Mapping[str, str], name: str, seed: int) -> PropertyResult:
    """One property, in whatever process this is called."""
    known = {law.name: law for law in LAWS}
    if name == REFERENCE:
        assert contract.reference is not None
        known[REFERENCE] = reference_law(contract, load_reference(contract.reference, contract.function))
    with subject_of(contract, sources) as subject:
        return check_properties(subject, seed=seed, laws=(known[name],)).results[0]


def _try_faults(contract: Contract, sources: Mapping[str, str], seed: int, seconds: float | None) -> FaultCheck:
    with subject_of(contract, sources) as subject:
        return check_faults(subject, flips=FLIPS, sensor_faults=SENSOR_FAULTS, seed=seed, seconds=seconds)


class _Children:
    """One child process, replaced when the C has ended it."""

    def __init__(self) -> None:
        self._pool = self._fresh()

    @staticmethod
    def _fresh() -> ProcessPoolExecutor:
        return ProcessPoolExecutor(1, multiprocessing.get_context("spawn"))

    def law(self, contract: Contract, sources: Mapping[str, str], name: str, seed: int) -> PropertyResult | None:
        """The result, None if the process ended."""
        try:
            return self._pool.submit(_try_law, contract, sources, name, seed).result()
        except BrokenProcessPool:
            self._pool = self._fresh()
            return None

    def faults(self, contract: Contract, sources: Mapping[str, str], seed: int, seconds: float | None) -> FaultCheck | None:
        """The result, None if the process ended."""
        try:
            return self._pool.submit(_try_faults, contract, sources, seed, seconds).result()
        except BrokenProcessPool:
            self._pool = self._fresh()
            return None

    def close(self) -> None:
        """End the child."""
        self._pool.shutdown()


def check_handwritten(
    contract: Contract, sources: Mapping[str, str], *, seed: int = 1, seconds: float | None = None
) -> HandwrittenCheck:
    """Put hand-written C through the gate.

    Args:
        contract: What it claims.
        sources: Texts of its header and source by file name.
        seed: Seed of all draws.
        seconds: Time after which no further stage is begun; None for no limit.

    Raises:
        CompileError: The text does not compile.
        ContractError: The reference does not run.
    """
    begun = time.perf_counter()
    with subject_of(contract, sources) as subject:
        subject.host()  # a text that does not compile is told here, with the compiler's words
        applying = [law for law in LAWS if not law.why_not(subject)]
    if contract.reference is not None:
        load_reference(contract.reference, contract.function)
    names = [law.name for law in applying] + ([REFERENCE] if contract.reference is not None else [])
    results: list[PropertyResult] = []
    crashed: list[str] = []
    left_out: list[str] = []
    faults: FaultCheck | None = None
    children = _Children()

    def late() -> bool:
        return seconds is not None and time.perf_counter() - begun >= seconds

    try:
        for name in names:
            if late():
                left_out.append(name)
                continue
            result = children.law(contract, sources, name, seed)
            if result is None:
                crashed.append(name)
            else:
                results.append(result)
        if late():
            left_out.append(FAULTS)
        else:
            rest = None if seconds is None else max(0.0, seconds - (time.perf_counter() - begun))
            faults = children.faults(contract, sources, seed, rest)
            if faults is None:
                crashed.append(FAULTS)
            elif faults.left_out:
                left_out.append(faults.left_out)
    finally:
        children.close()
    return HandwrittenCheck(
        contract, PropertyCheck(tuple(results)), faults, tuple(crashed), seed, time.perf_counter() - begun, tuple(left_out)
    )
