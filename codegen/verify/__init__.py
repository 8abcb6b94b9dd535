"""Verification: compiled C against the integer model, integers against float64, properties over the edges, faults at run time."""

from codegen.verify.bits import BitCheck, check_bits
from codegen.verify.entries import property_entries
from codegen.verify.errors import ErrorCheck, check_errors
from codegen.verify.faults import FaultCheck, check_faults
from codegen.verify.properties import PropertyCheck, PropertyResult, check_properties
from codegen.verify.subject import Subject, emitted_subject

__all__ = [
    "BitCheck",
    "ErrorCheck",
    "FaultCheck",
    "PropertyCheck",
    "PropertyResult",
    "Subject",
    "check_bits",
    "check_errors",
    "check_faults",
    "check_properties",
    "emitted_subject",
    "property_entries",
]
