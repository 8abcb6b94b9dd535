"""Proof of a controller from its C text: safety and equality with its integer model, for all inputs and all memory in their boxes.

Takes the text, its header and its contract; knows nothing of how they came to be.
"""

from codegen.proof.counterexample import Witness
from codegen.proof.equality import Difference
from codegen.proof.refusal import Refusal
from codegen.proof.verdict import ASSUMPTIONS, Finding, ModelProof, ProofReport, prove

__all__ = ["ASSUMPTIONS", "Difference", "Finding", "ModelProof", "ProofReport", "Refusal", "Witness", "prove"]
