"""The same C text as a machine with a 16-bit ``int`` runs it, written so that this machine computes the same.

Takes a program, gives its text with every operation that such a machine does in 16 bits cut to 16 bits, and the list of those
operations.  Promotions and usual arithmetic conversions as in C99 6.3.1.1 and 6.3.1.8 with 16-bit ``int`` and 32-bit ``long``; an
overflow, undefined there, is taken to wrap.
"""

from __future__ import annotations

from codegen.defects.reading import (
    Binary,
    Call,
    Cast,
    Expr,
    Index,
    Literal,
    Name,
    Paren,
    Program,
    Ternary,
    Unary,
)

RANKS = ("int16_t", "uint16_t", "int32_t", "uint32_t", "int64_t", "uint64_t")
PROMOTED = {"bool": "int16_t", "int8_t": "int16_t", "uint8_t": "int16_t", "int": "int16_t", "": "int16_t"}
COMPARISONS = ("<", ">", "<=", ">=", "==", "!=")


class _Cutter:
    """Types and rewritten text of the expressions of one function."""

    def __init__(self, program: Program, function: str) -> None:
        self.program, self.function = program, function
        self.cut: list[str] = []

    def promoted(self, ctype: str) -> str:
        return PROMOTED.get(ctype, ctype)

    def common(self, left: str, right: str) -> str:
        """Usual arithmetic conversion of two promoted types: the one of higher rank, unsigned where ranks are equal."""
        return RANKS[max(RANKS.index(left), RANKS.index(right))]

    def held(self, ctype: str, text: str) -> str:
        """An operation of that type; cut where the type has 16 bits."""
        if not ctype.endswith("int16_t"):
            return text
        self.cut.append(text)
        return f"({ctype})({text})"

    def write(self, expr: Expr) -> tuple[str, str]:
        """(promoted type, text) of an expression."""
        match expr:
            case Paren(inner=inner):
                ctype, text = self.write(inner)
                return ctype, f"({text})"
            case Literal(value=value, bits=bits, unsigned=unsigned):
                size = bits or (16 if value < 1 << (16 if unsigned else 15) else 32)
                return f"{'u' if unsigned else ''}int{size}_t", self.program.text(expr)
            case Name(text=name):
                return self.promoted(self.program.type_of(name, self.function)), name
            case Cast(ctype=ctype, operand=operand):
                small = "int16_t" if ctype == "int" else ctype
                return self.promoted(ctype), f"({small}){self.write(operand)[1]}"
            case Call(name=name, arguments=arguments):
                texts = [self.write(argument)[1] for argument in arguments]
                return self.promoted(self.program.returns.get(name, "int32_t")), f"{name}({', '.join(texts)})"
            case Index(table=table, index=index):
                return "int32_t", f"{table}[{self.write(index)[1]}]"
            case Unary(sign=sign, operand=operand):
                ctype, text = self.write(operand)
                return ("int16_t", f"!{text}") if sign == "!" else (ctype, self.held(ctype, f"{sign}{text}"))
            case Ternary(condition=condition, if_true=if_true, if_false=if_false):
                (left, first), (right, second) = self.write(if_true), self.write(if_false)
                return self.common(left, right), f"{self.write(condition)[1]} ? {first} : {second}"
            case Binary(sign=sign, left=left, right=right):
                return self.binary(sign, left, right)
        raise TypeError(f"no rule for {type(expr).__name__}")

    def binary(self, sign: str, left: Expr, right: Expr) -> tuple[str, str]:
        (first, a), (second, b) = self.write(left), self.write(right)
        if sign in ("&&", "||"):
            return "int16_t", f"{a} {sign} {b}"
        if sign in ("<<", ">>"):
            return first, self.held(first, f"{a} {sign} {b}")
        ctype = self.common(first, second)
        if sign in COMPARISONS:
            if ctype == "uint16_t" and first != second:
                self.cut.append(f"{a} {sign} {b}")
                return "int16_t", f"(uint16_t)({a}) {sign} (uint16_t)({b})"
            return "int16_t", f"{a} {sign} {b}"
        return ctype, self.held(ctype, f"{a} {sign} {b}")


def cut_to_16_bits(program: Program) -> tuple[str, tuple[str, ...]]:
    """(source text, operations done in 16 bits)."""
    text = program.source
    cut: list[str] = []
    for statement in sorted(program.statements, key=lambda s: s.expr.start, reverse=True):
        cutter = _Cutter(program, statement.function)
        _, written = cutter.write(statement.expr)
        if cutter.cut:
            text = text[: statement.expr.start] + written + text[statement.expr.end :]
            cut += cutter.cut
    return text, tuple(cut)
