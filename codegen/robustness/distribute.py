"""The same work on one core, on all cores, or on a cluster: the outcomes are the same.

Takes an order and, for a cluster, any executor in the sense of the standard library's ``concurrent.futures``; gives the outcomes by
number.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from typing import cast

from codegen.errors import LoopwrightError
from codegen.robustness.fleet import FleetOrder, MachineOutcome, compile_order, fly_machines

# Small enough for a smooth display and an even load, large enough that handing over costs nothing.
BATCH = 20
CLUSTER_BATCHES = 64
Watch = Callable[[float], None]


def usable_cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def fly_order(
    order: FleetOrder, machines: int, *, jobs: int | None = None, executor: Executor | None = None, watch: Watch = lambda share: None
) -> tuple[MachineOutcome, ...]:
    """Fly machines 0 ... ``machines - 1`` of the order.

    Args:
        order: What to fly.
        machines: How many.
        jobs: Threads on this computer (the flights leave the interpreter's lock free); None takes every core.
        executor: Takes the work instead; its workers must have this program installed.
        watch: Called with the share that is done.

    Raises:
        LoopwrightError: A machine cannot be drawn or simulated.
        CompileError: No compiler, or it refuses the text.
    """
    if executor is not None:
        return _spread(order, machines, executor, max(BATCH, -(-machines // CLUSTER_BATCHES)), watch)
    compile_order(order)
    with ThreadPoolExecutor(jobs or usable_cores()) as threads:
        return _spread(order, machines, threads, BATCH, watch)


def _spread(order: FleetOrder, machines: int, executor: Executor, batch: int, watch: Watch) -> tuple[MachineOutcome, ...]:
    pending = [executor.submit(fly_machines, order, first, min(batch, machines - first)) for first in range(0, machines, batch)]
    outcomes: list[MachineOutcome] = []
    try:
        for future in _as_they_end(pending):
            outcomes += future.result()
            watch(len(outcomes) / machines)
    except BaseException:
        for future in pending:
            future.cancel()
        raise
    return tuple(sorted(outcomes, key=lambda outcome: outcome.number))


def _as_they_end(pending: list[Future[tuple[MachineOutcome, ...]]]) -> Iterator[Future[tuple[MachineOutcome, ...]]]:
    return as_completed(pending)


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """Executor of the Dask scheduler at ``address``, such as tcp://10.0.0.7:8786, for as long as the context lasts.

    Raises:
        LoopwrightError: The package is not installed, or nothing answers at the address.
    """
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise LoopwrightError(
            "flying on a cluster needs the Python package distributed, which is not installed",
            "--cluster",
            "pip install 'loopwright[cluster]' here and on the workers",
        ) from None
    try:
        client = distributed.Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise LoopwrightError(
            f"no scheduler answers: {error}", f"--cluster {address}", "start one with `dask scheduler` and give its address"
        ) from None
    try:
        yield cast(Executor, client.get_executor())
    finally:
        client.close()
