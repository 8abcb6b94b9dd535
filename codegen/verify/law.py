"""What a property is and what checking it gives.

Takes nothing, gives the frozen dataclasses that every group of laws uses, and the search for the earliest tick that breaks one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from codegen.verify.subject import Subject
from codegen.verify.trial import Failure

Counts = NDArray[np.int64]
Generator = np.random.Generator


@dataclass(frozen=True)
class Found:
    """What one law's check found.

    Attributes:
        count: Controller ticks or cases looked at.
        failure: The first one that does not hold, made short.
        figures: Numbers worth telling, by name.
    """

    count: int
    failure: Failure | None = None
    figures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Law:
    """A property of a controller.

    Attributes:
        name: Short name.
        statement: What holds, one sentence.
        why_not: Reason why it does not apply to a subject, "" if it does; derived from kinds of nodes and shapes, never from names.
        check: Tries it.
    """

    name: str
    statement: str
    why_not: Callable[[Subject], str]
    check: Callable[[Subject, Generator], Found]


def always(subject: Subject) -> str:
    """A law that applies to every controller."""
    return ""


def emitted_only(subject: Subject) -> str:
    """A law that needs the integers."""
    return "" if subject.fixed is not None else "written by hand: there is no integer model to derive it from"


def earliest(broken: NDArray[np.bool_]) -> tuple[int, int, int] | None:
    """(tick, column, lane) of the earliest breach in an array (ticks, columns, lanes)."""
    if not broken.any():
        return None
    tick = int(np.argmax(broken.any(axis=(1, 2))))
    column, lane = (int(at) for at in np.unravel_index(int(np.argmax(broken[tick])), broken[tick].shape))
    return tick, column, lane
