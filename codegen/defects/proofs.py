"""The proof from the C text as two more methods of judging: safety, and equality with the integer model.

Takes the contract of the unchanged controller, gives verdicts; runs in processes of its own, because a proof keeps one processor busy.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from codegen.defects.judge import ALIVE, WORKERS, Verdict, Verdicts
from codegen.defects.planting import Mutant
from codegen.proof import ProofReport, prove

Prove = Callable[[str, str, str], ProofReport]
SAFETY, EQUALITY = "safety proof", "equality proof"


class ProofMethod:
    """Not proved is killed.

    Args:
        contract_json: Contract of the unchanged controller.
        prove: How to prove; must be a function of a module, so that another process finds it.
        workers: Processes.
    """

    names: tuple[str, ...] = (SAFETY, EQUALITY)

    def __init__(self, contract_json: str, prove: Prove = prove, *, workers: int = WORKERS) -> None:
        self.contract_json, self.prove, self.workers = contract_json, prove, workers

    def judge(self, mutants: Sequence[Mutant]) -> list[Verdicts]:
        """Verdicts of each mutant."""
        work = partial(_judge_one, self.prove, self.contract_json)
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(self.workers, mp_context=context) as pool:
            return list(pool.map(work, [(mutant.source, mutant.header) for mutant in mutants], chunksize=4))


def _judge_one(prove: Prove, contract_json: str, texts: tuple[str, str]) -> Verdicts:
    report = prove(*texts, contract_json)
    if report.refused is not None:
        return {SAFETY: Verdict(True, f"refused: {report.refused.place}: {report.refused.reason}"), EQUALITY: ALIVE}
    verdicts = {SAFETY: ALIVE, EQUALITY: ALIVE}
    for proof in report.models:
        if proof.failed and not verdicts[SAFETY].killed:
            first = proof.failed[0]
            verdicts[SAFETY] = Verdict(True, f"{first.place}: {first.kind}, {proof.model}: {first.reason}")
        if not proof.equal and report.has_model and not verdicts[EQUALITY].killed:
            first_difference = proof.differences[0] if proof.differences else None
            said = f"{first_difference.name}: {first_difference.reason}" if first_difference else "nothing was compared"
            verdicts[EQUALITY] = Verdict(True, f"{said}, {proof.model}")
    return verdicts
