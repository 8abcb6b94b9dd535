"""Integer types under the data models: what C asks of small expressions on machines of 32-bit and of 16-bit int.

Rules: ISO/IEC 9899:1999, 6.3.1.1, 6.3.1.3, 6.3.1.8, 6.4.4.1, 6.5.3.3, 6.5.5, 6.5.7, 7.18.4 (clauses from memory).  The LP64 column is
also what the compiled C says in the test of random functions.
"""

from __future__ import annotations

import pytest

from codegen.proof import Refusal
from codegen.proof.models import MODELS
from tests.proof_base import prove_expression

FITS = ""
CASES = [
    # expression, types of a and b, what stands against it under LP64, ILP32, I16
    ("a * b", "uint16_t uint16_t", "product fits", "product fits", FITS),
    ("a * b", "int16_t int16_t", FITS, FITS, "product fits"),
    ("(int32_t)(a * b)", "int16_t int16_t", FITS, FITS, "product fits"),
    ("(int32_t)a * b", "int16_t int16_t", FITS, FITS, FITS),
    ("a * b", "uint8_t uint8_t", FITS, FITS, "product fits"),
    ("a * b", "int8_t int8_t", FITS, FITS, FITS),
    ("a + b", "int16_t int16_t", FITS, FITS, "sum fits"),
    ("a + b", "uint16_t uint16_t", FITS, FITS, FITS),
    ("a - b", "uint16_t uint16_t", FITS, FITS, FITS),
    ("a - b", "int32_t int32_t", "difference fits", "difference fits", "difference fits"),
    ("a - b", "uint32_t uint32_t", FITS, FITS, FITS),
    ("a + 32767", "int16_t", FITS, FITS, "sum fits"),
    ("a + 32768", "int16_t", FITS, FITS, FITS),
    ("a + 0x8000", "int16_t", FITS, FITS, "operand keeps"),
    ("32767 + 1", "int16_t", FITS, FITS, "sum fits"),
    ("INT16_C(300) * INT16_C(300)", "int16_t", FITS, FITS, "product fits"),
    ("UINT16_C(65535) * UINT16_C(65535)", "int16_t", "product fits", "product fits", FITS),
    ("INT32_C(300) * 300", "int16_t", FITS, FITS, FITS),
    ("1 << 15", "int16_t", FITS, FITS, "left shift fits"),
    ("1 << 31", "int16_t", "left shift fits", "left shift fits", "shift count"),
    ("1u << 31", "int16_t", FITS, FITS, "shift count"),
    ("1L << 31", "int16_t", FITS, "left shift fits", "left shift fits"),
    ("1LL << 31", "int16_t", FITS, FITS, FITS),
    ("a << 8", "uint8_t", FITS, FITS, "left shift fits"),
    ("a << 24", "uint8_t", "left shift fits", "left shift fits", "shift count"),
    ("a << 1", "int16_t", "shifted left", "shifted left", "shifted left"),
    ("a << 4", "uint16_t", FITS, FITS, FITS),
    ("a >> 16", "int16_t", FITS, FITS, "shift count"),
    ("a >> 15", "int16_t", FITS, FITS, FITS),
    ("a >> (b & 15u)", "int16_t uint8_t", FITS, FITS, FITS),
    ("a >> (b & 31u)", "int16_t uint8_t", FITS, FITS, "shift count"),
    ("-a", "int16_t", FITS, FITS, "negation fits"),
    ("-a", "int32_t", "negation fits", "negation fits", "negation fits"),
    ("-a", "uint16_t", FITS, FITS, FITS),
    ("~a", "uint8_t", FITS, FITS, FITS),
    ("a / -1", "int16_t", FITS, FITS, "quotient fits"),
    ("a % -1", "int32_t", "quotient fits", "quotient fits", "quotient fits"),
    ("a / b", "int16_t int16_t", "divisor", "divisor", "divisor"),
    ("b != 0 ? a / b : 0", "int32_t int16_t", "quotient fits", "quotient fits", "quotient fits"),
    ("b > 0 ? a / b : 0", "int32_t int16_t", FITS, FITS, FITS),
    ("a < b", "int16_t uint16_t", FITS, FITS, "comparison keeps"),
    ("a < b", "int32_t uint32_t", "comparison keeps", "comparison keeps", "comparison keeps"),
    ("a < b", "int32_t uint16_t", FITS, FITS, FITS),
    ("a > 5u", "int16_t", "comparison keeps", "comparison keeps", "comparison keeps"),
    ("a ? b : 0u", "bool int16_t", "operand keeps", "operand keeps", "operand keeps"),
    ("(uint16_t)a", "int32_t", FITS, FITS, FITS),
    ("(int16_t)a", "int32_t", "cast keeps", "cast keeps", "cast keeps"),
    ("(int16_t)a", "uint16_t", "cast keeps", "cast keeps", "cast keeps"),
    ("(bool)a + (bool)b", "int32_t int32_t", FITS, FITS, FITS),
    ("a && b", "int32_t int32_t", FITS, FITS, FITS),
    ("a != 0 && 1000 / a > 3", "int32_t", FITS, FITS, FITS),
    ("a == 0 || 1000 / a > 3", "int32_t", FITS, FITS, FITS),
    ("a == 0 && 1000 / a > 3", "int32_t", "divisor", "divisor", "divisor"),
    ("(long)a * b", "int16_t int16_t", FITS, FITS, FITS),
    ("(long)a * b", "int32_t int32_t", FITS, "product fits", "product fits"),
    ("a & -2", "int16_t", "bitwise operand", "bitwise operand", "bitwise operand"),
    ("INT32_MAX - a", "uint16_t", FITS, FITS, FITS),
    ("INT32_MIN - a", "uint16_t", "difference fits", "difference fits", "difference fits"),
    ("(a << 16) | b", "uint16_t uint16_t", "left shift fits", "left shift fits", "shift count"),
    ("((uint32_t)a << 16) | b", "uint16_t uint16_t", FITS, FITS, FITS),
]


@pytest.mark.parametrize(("expression", "types", "lp64", "ilp32", "i16"), CASES)
def test_expression_owes_what_c_asks(expression, types, lp64, ilp32, i16):
    found = prove_expression(expression, types)

    for model, wanted in zip(("LP64", "ILP32", "I16"), (lp64, ilp32, i16), strict=True):
        assert wanted in found[model] if wanted else found[model] == ""


@pytest.mark.parametrize(
    ("text", "types"),
    [
        # value and type by model; the list of 6.4.4.1 for decimal and for hexadecimal constants
        ("32767", {"LP64": (32, True), "ILP32": (32, True), "I16": (16, True)}),
        ("32768", {"LP64": (32, True), "ILP32": (32, True), "I16": (32, True)}),
        ("0x8000", {"LP64": (32, True), "ILP32": (32, True), "I16": (16, False)}),
        ("2147483648", {"LP64": (64, True), "ILP32": (64, True), "I16": (64, True)}),
        ("0x80000000", {"LP64": (32, False), "ILP32": (32, False), "I16": (32, False)}),
        ("1u", {"LP64": (32, False), "ILP32": (32, False), "I16": (16, False)}),
        ("65536u", {"LP64": (32, False), "ILP32": (32, False), "I16": (32, False)}),
        ("1UL", {"LP64": (64, False), "ILP32": (32, False), "I16": (32, False)}),
        ("017", {"LP64": (32, True), "ILP32": (32, True), "I16": (16, True)}),
    ],
)
def test_constants_have_the_type_that_c_gives_them(text, types):
    for name, (bits, signed) in types.items():
        _, kind = MODELS[name].constant(text, "here")
        assert (kind.bits, kind.signed) == (bits, signed)


def test_octal_constants_are_octal():
    assert MODELS["LP64"].constant("017", "here")[0] == 15


@pytest.mark.parametrize("text", ["08", "1_0", "0b1", "1lul", "18446744073709551616u", "9223372036854775808", "1'0"])
def test_what_is_no_constant_is_refused(text):
    with pytest.raises(Refusal):
        MODELS["LP64"].constant(text, "here")
