"""Verification: compiled C against the integer model, integers against float64, properties over the edges."""

from codegen.verify.bits import BitCheck, check_bits
from codegen.verify.errors import ErrorCheck, check_errors

__all__ = ["BitCheck", "ErrorCheck", "check_bits", "check_errors"]
