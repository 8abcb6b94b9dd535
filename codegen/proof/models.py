"""Integer types of C under a data model: widths, promotion, usual arithmetic conversions and the types of constants.

Takes type names and constants as they are spelled, gives ``IntegerType``s.  Knows no values of variables and no syntax beyond
one constant.  Source: ISO/IEC 9899:1999, 6.2.5 (types), 6.3.1.1 (promotion), 6.3.1.8 (usual arithmetic conversions), 6.4.4.1
(constants), 7.18 (fixed-width types).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from codegen.proof.refusal import Refusal


@dataclass(frozen=True)
class IntegerType:
    """An integer type.

    Attributes:
        name: One spelling of it.
        bits: Width; 1 for a truth value.
        signed: Whether it has negative values.
        rank: Conversion rank: of two types of one width the higher rank wins.
    """

    name: str
    bits: int
    signed: bool
    rank: int

    @property
    def low(self) -> int:
        """Least value."""
        return -(1 << (self.bits - 1)) if self.signed else 0

    @property
    def high(self) -> int:
        """Greatest value."""
        return (1 << (self.bits - 1)) - 1 if self.signed else (1 << self.bits) - 1

    @property
    def is_bool(self) -> bool:
        """Whether this is the type of truth values."""
        return self.rank == 0


BOOL = IntegerType("bool", 1, False, 0)


@dataclass(frozen=True)
class DataModel:
    """Widths of the standard integer types of one family of machines; ``char`` has 8 bits, ``short`` 16, ``long long`` 64."""

    name: str
    int_bits: int
    long_bits: int

    def standard(self, words: tuple[str, ...]) -> IntegerType | None:
        """The type that ``words`` (such as unsigned long int) name; None if they name none that a proof can use."""
        signed = "unsigned" not in words
        rest = sorted(word for word in words if word not in ("signed", "unsigned", "int"))
        if len(words) - len(rest) != len({word for word in words if word in ("signed", "unsigned", "int")}):
            return None
        if "signed" in words and "unsigned" in words:
            return None
        plain = " ".join(words)
        match rest:
            case []:
                return IntegerType(plain, self.int_bits, signed, 3)
            case ["short"]:
                return IntegerType(plain, 16, signed, 2)
            case ["long"]:
                return IntegerType(plain, self.long_bits, signed, 4)
            case ["long", "long"]:
                return IntegerType(plain, 64, signed, 5)
            case ["char"] if ("signed" in words or "unsigned" in words) and "int" not in words:
                # Whether plain char has a sign is the machine's choice: not in the subset.
                return IntegerType(plain, 8, signed, 1)
            case ["_Bool"] if len(words) == 1:
                return BOOL
            case _:
                return None

    def exact(self, bits: int, signed: bool) -> IntegerType:
        """The type behind ``intN_t`` or ``uintN_t``."""
        ranks = {8: 1, 16: 2, self.int_bits: 3}
        rank = ranks.get(bits, 4 if bits == self.long_bits else 5)
        return IntegerType(f"{'' if signed else 'u'}int{bits}_t", bits, signed, rank)

    def named(self, name: str) -> IntegerType | None:
        """The type that one identifier names: an exact-width type or ``bool``."""
        if name in ("bool", "_Bool"):
            return BOOL
        match = EXACT_NAME.fullmatch(name)
        return self.exact(int(match[2]), match[1] == "") if match else None

    def promote(self, kind: IntegerType) -> IntegerType:
        """Integer promotion."""
        if kind.rank > 3 or (kind.rank == 3 and kind.bits >= self.int_bits):
            return kind
        whole = self.standard(("int",)) if kind.bits < self.int_bits or kind.signed else self.standard(("unsigned", "int"))
        assert whole is not None
        return whole

    def common(self, left: IntegerType, right: IntegerType) -> IntegerType:
        """Usual arithmetic conversions of two operands."""
        left, right = self.promote(left), self.promote(right)
        if left.signed == right.signed:
            return left if (left.rank, left.bits) >= (right.rank, right.bits) else right
        unsigned, signed = (right, left) if left.signed else (left, right)
        if unsigned.rank >= signed.rank:
            return unsigned
        if signed.bits > unsigned.bits:
            return signed
        return IntegerType(f"unsigned {signed.name}", signed.bits, False, signed.rank)

    def constant(self, text: str, line: str) -> tuple[int, IntegerType]:
        """Value and type of an integer constant.

        Raises:
            Refusal: No integer constant of C99, or too large for every type it may have.
        """
        match = CONSTANT.fullmatch(text)
        if match is None:
            raise Refusal(line, f"{text!r} is no integer constant of C99")
        digits, suffix = match[1], match[2].lower()
        decimal = not digits.startswith("0") or digits == "0"
        if not decimal and digits[:2].lower() != "0x" and not re.fullmatch("[0-7]+", digits):
            raise Refusal(line, f"{text!r} is no octal constant")
        value = int(digits, 10 if decimal else 16 if digits[:2].lower() == "0x" else 8)
        longs = suffix.count("l")
        for words in [("int",), ("long",), ("long", "long")][longs:]:
            for sign in ("signed", "unsigned"):
                if (sign == "signed" and "u" in suffix) or (sign == "unsigned" and decimal and "u" not in suffix):
                    continue
                kind = self.standard((sign, *words))
                assert kind is not None
                if value <= kind.high:
                    return value, kind
        raise Refusal(line, f"constant {text} is too large for its type")

    def macro(self, name: str) -> tuple[int, IntegerType] | None:
        """Value and type of a limit of ``<stdint.h>`` or a truth value of ``<stdbool.h>``."""
        if name in ("true", "false"):
            return int(name == "true"), self.promote(BOOL)
        match = LIMIT.fullmatch(name)
        if match is None:
            return None
        kind = self.exact(int(match[2]), match[1] == "")
        return kind.high if match[3] == "MAX" else kind.low, self.promote(kind)

    def constant_macro(self, name: str) -> IntegerType | None:
        """The type that ``INTN_C`` or ``UINTN_C`` gives its argument; None for other names."""
        match = CONSTANT_MACRO.fullmatch(name)
        return self.promote(self.exact(int(match[2]), match[1] == "")) if match else None


CONSTANT = re.compile(r"(0[xX][0-9A-Fa-f]+|[0-9]+)([uU]?(?:ll|LL|l|L)?|(?:ll|LL|l|L)[uU])")
EXACT_NAME = re.compile(r"(u?)int(8|16|32|64)_t")
LIMIT = re.compile(r"(U?)INT(8|16|32|64)_(MAX|MIN)")
CONSTANT_MACRO = re.compile(r"(U?)INT(8|16|32|64)_C")

MODELS: Mapping[str, DataModel] = {
    model.name: model for model in (DataModel("LP64", 32, 64), DataModel("ILP32", 32, 32), DataModel("I16", 16, 32))
}
