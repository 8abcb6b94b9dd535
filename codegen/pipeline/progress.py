"""How far the chain is, and how long each stage took."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field


@dataclass
class Progress:
    """Where the chain is: ``stage`` is called with a name and the share of the whole that is done.

    Attributes:
        stage: Called at every step.
        seconds: Time per stage so far.
    """

    stage: Callable[[str, float], None] = field(default=lambda name, done: None)
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def during(self, name: str, done: float) -> Iterator[None]:
        """Time one stage."""
        self.stage(name, done)
        begun = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - begun
