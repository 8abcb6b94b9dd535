"""The suite: every property that applies to a controller, tried in turn within a time.

Takes a ``Subject``, gives a ``PropertyCheck``.  What applies is derived from kinds of nodes, shapes and roles; what a budget of time left
out is named.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from codegen.verify import defined, exact, instances, lasting, limits, paths, timing
from codegen.verify.law import Law
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure

SUITE: tuple[Law, ...] = (
    *exact.LAWS,
    *defined.LAWS,
    *limits.LAWS,
    *paths.LAWS,
    *timing.LAWS,
    *instances.LAWS,
    *lasting.LAWS,
)
Progress = Callable[[float], None]


@dataclass(frozen=True)
class PropertyResult:
    """One property of one controller.

    Attributes:
        name: Short name.
        statement: What holds.
        count: Ticks or cases tried; 0 where it does not apply or was left out.
        seed: Seed of its draws.
        seconds: Time it took.
        failure: What breaks it, made short; None if nothing does.
        figures: Numbers worth telling.
        why_not: Why it does not apply, "" if it does.
        left_out: Whether the time was used up before.
    """

    name: str
    statement: str
    count: int
    seed: int
    seconds: float
    failure: Failure | None
    figures: Mapping[str, float]
    why_not: str
    left_out: bool

    @property
    def tried(self) -> bool:
        """Whether it applies and was tried."""
        return not self.why_not and not self.left_out

    @property
    def holds(self) -> bool:
        """No breach was found."""
        return self.failure is None


@dataclass(frozen=True)
class PropertyCheck:
    """The suite's results, in its order."""

    results: tuple[PropertyResult, ...]

    @property
    def holds(self) -> bool:
        """No property is broken."""
        return all(result.holds for result in self.results)

    @property
    def broken(self) -> tuple[PropertyResult, ...]:
        """The broken ones."""
        return tuple(result for result in self.results if not result.holds)

    @property
    def left_out(self) -> tuple[str, ...]:
        """Names of those that the time did not reach."""
        return tuple(result.name for result in self.results if result.left_out)


def check_properties(
    subject: Subject,
    *,
    seed: int = 1,
    seconds: float | None = None,
    laws: Sequence[Law] = SUITE,
    progress: Progress | None = None,
) -> PropertyCheck:
    """Try every property that applies.

    Args:
        subject: The controller.
        seed: Seed of all draws; each property draws from its own stream, so that leaving one out changes no other.
        seconds: Time after which no further property is begun; None for no limit.
        laws: What to try.
        progress: Called with the share done.

    Raises:
        CompileError: The text does not compile.
    """
    begun = time.perf_counter()
    results = []
    for at, law in enumerate(laws):
        why_not = law.why_not(subject)
        left_out = not why_not and seconds is not None and time.perf_counter() - begun >= seconds
        started = time.perf_counter()
        if why_not or left_out:
            results.append(PropertyResult(law.name, law.statement, 0, seed, 0.0, None, {}, why_not, left_out))
        else:
            stream = np.random.default_rng([seed, *law.name.encode()])
            found = law.check(subject, stream)
            took = time.perf_counter() - started
            results.append(PropertyResult(law.name, law.statement, found.count, seed, took, found.failure, found.figures, "", False))
        if progress is not None:
            progress((at + 1) / len(laws))
    return PropertyCheck(tuple(results))
