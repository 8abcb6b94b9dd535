"""Controllers written by hand: a contract file puts any C of the same shape under the same gate as far as it applies."""

from codegen.handwritten.contract import Contract, parse_contract, read_contract
from codegen.handwritten.gate import HandwrittenCheck, check_handwritten

__all__ = ["Contract", "HandwrittenCheck", "check_handwritten", "parse_contract", "read_contract"]
