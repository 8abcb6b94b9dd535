"""The C text as statements and expressions with their places in it, so that a defect can be planted exactly there.

Takes the header and source of a controller, gives a ``Program``.  Reads the plain form that emitted controllers have: one declaration,
store, return or condition per statement, constants as ``INT32_C(n)``.  Judges nothing and refuses what it cannot read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from codegen.errors import CheckFailed

TYPES = ("bool", "int8_t", "uint8_t", "int16_t", "uint16_t", "int32_t", "uint32_t", "int64_t", "uint64_t", "int", "void")
TOKEN = re.compile(
    r"\s*(?:(?P<literal>(?:U?INT(?:32|64)_C\(\s*\d+\s*\)|\d+[uU]?))|(?P<name>[A-Za-z_]\w*(?:(?:->|\.)\w+)*)"
    r"|(?P<sign><<|>>|<=|>=|==|!=|&&|\|\||[-+*/%&|^~!<>?:()\[\],]))"
)
PRECEDENCE = {
    "||": 1, "&&": 2, "|": 3, "^": 4, "&": 5, "==": 6, "!=": 6, "<": 7, ">": 7, "<=": 7, ">=": 7, "<<": 8, ">>": 8, "+": 9, "-": 9,
    "*": 10, "/": 10, "%": 10,
}  # fmt: skip


@dataclass(frozen=True)
class Expr:
    """An expression and where it stands: offsets into the source text."""

    start: int
    end: int


@dataclass(frozen=True)
class Name(Expr):
    """A variable or a member, as spelled."""

    text: str


@dataclass(frozen=True)
class Literal(Expr):
    """A constant of ``bits`` (0: a plain ``int``)."""

    value: int
    bits: int
    unsigned: bool


@dataclass(frozen=True)
class Cast(Expr):
    """A conversion."""

    ctype: str
    operand: Expr


@dataclass(frozen=True)
class Call(Expr):
    """A call of a helper."""

    name: str
    arguments: tuple[Expr, ...]


@dataclass(frozen=True)
class Unary(Expr):
    """A sign or a negation."""

    sign: str
    operand: Expr


@dataclass(frozen=True)
class Binary(Expr):
    """Two operands."""

    sign: str
    left: Expr
    right: Expr


@dataclass(frozen=True)
class Ternary(Expr):
    """A choice."""

    condition: Expr
    if_true: Expr
    if_false: Expr


@dataclass(frozen=True)
class Index(Expr):
    """An element of a table."""

    table: str
    index: Expr


@dataclass(frozen=True)
class Paren(Expr):
    """An expression in parentheses."""

    inner: Expr


@dataclass(frozen=True)
class Statement:
    """One statement.

    Attributes:
        function: Function it stands in.
        kind: ``declare``, ``store``, ``return`` or ``if``.
        ctype: Type of a declaration, else "".
        target: Variable or member that is written, else "".
        expr: What is computed.
        start: Offset of its first character.
        end: Offset behind its last character (semicolon, or the brace of a condition).
        line: Line in the source, from 1.
        depth: Number of braces around it inside the function.
    """

    function: str
    kind: str
    ctype: str
    target: str
    expr: Expr
    start: int
    end: int
    line: int
    depth: int


def width_of(helper: str) -> int:
    """Width that a helper works in, the number behind its name."""
    return int(helper.rsplit("_", 1)[1])


def bare(expr: Expr) -> Expr:
    """The expression without the parentheses around it."""
    while isinstance(expr, Paren):
        expr = expr.inner
    return expr


def uncast(expr: Expr) -> Expr:
    """The expression without parentheses and conversions around it."""
    expr = bare(expr)
    while isinstance(expr, Cast):
        expr = bare(expr.operand)
    return expr


def parts(expr: Expr) -> tuple[Expr, ...]:
    """Direct parts of an expression."""
    match expr:
        case Cast(operand=operand) | Unary(operand=operand):
            return (operand,)
        case Paren(inner=inner):
            return (inner,)
        case Call(arguments=arguments):
            return arguments
        case Binary(left=left, right=right):
            return (left, right)
        case Ternary(condition=condition, if_true=if_true, if_false=if_false):
            return (condition, if_true, if_false)
        case Index(index=index):
            return (index,)
    return ()


def walk(expr: Expr) -> Iterator[Expr]:
    """The expression and everything in it."""
    yield expr
    for part in parts(expr):
        yield from walk(part)


def constant(expr: Expr) -> int | None:
    """Value of a constant expression made of literals, signs and sums, else None."""
    match bare(expr):
        case Literal(value=value):
            return value
        case Unary(sign="-", operand=operand):
            inner = constant(operand)
            return None if inner is None else -inner
        case Cast(operand=operand):
            return constant(operand)
        case Binary(sign="+" | "-" as sign, left=left, right=right):
            first, second = constant(left), constant(right)
            if first is None or second is None:
                return None
            return first + second if sign == "+" else first - second
    return None


class _Reader:
    """Recursive descent over the tokens of one expression."""

    def __init__(self, text: str, start: int, end: int) -> None:
        self.tokens: list[tuple[str, str, int, int]] = []
        at = start
        while at < end and text[at:end].strip():
            found = TOKEN.match(text, at, end)
            if found is None:
                raise CheckFailed("this C text cannot be read", f"line {text.count(chr(10), 0, at) + 1}", "keep to the emitted form")
            kind = found.lastgroup or ""
            self.tokens.append((kind, found.group(kind), found.start(kind), found.end(kind)))
            at = found.end()
        self.at = 0
        self.line = text.count("\n", 0, start) + 1

    def peek(self, ahead: int = 0) -> str:
        place = self.at + ahead
        return self.tokens[place][1] if place < len(self.tokens) else ""

    def take(self, wanted: str = "") -> tuple[str, str, int, int]:
        if self.at >= len(self.tokens) or (wanted and self.peek() != wanted):
            raise CheckFailed(f"this C text cannot be read: {wanted or 'more'} expected", f"line {self.line}", "keep to the emitted form")
        self.at += 1
        return self.tokens[self.at - 1]

    def expression(self, least: int = 0) -> Expr:
        left = self.unary()
        while (strength := PRECEDENCE.get(self.peek(), 0)) > least:
            sign = self.take()[1]
            right = self.expression(strength)
            left = Binary(left.start, right.end, sign, left, right)
        if least == 0 and self.peek() == "?":
            self.take()
            if_true = self.expression()
            self.take(":")
            if_false = self.expression()
            left = Ternary(left.start, if_false.end, left, if_true, if_false)
        return left

    def unary(self) -> Expr:
        sign = self.peek()
        if sign in ("-", "!", "~", "+"):
            start = self.take()[2]
            operand = self.unary()
            return Unary(start, operand.end, sign, operand)
        if sign == "(" and self.peek(1) in TYPES and self.peek(2) == ")":
            start = self.take()[2]
            ctype = self.take()[1]
            self.take(")")
            operand = self.unary()
            return Cast(start, operand.end, ctype, operand)
        if sign == "(":
            start = self.take()[2]
            inner = self.expression()
            return Paren(start, self.take(")")[3], inner)
        return self.primary()

    def primary(self) -> Expr:
        kind, text, start, end = self.take()
        if kind == "literal":
            bits = 64 if "64_C" in text else 32 if "32_C" in text else 0
            digits = text[text.index("(") :] if "(" in text else text
            return Literal(start, end, int(digits.strip("()uU ")), bits, text.startswith("U") or text[-1] in "uU")
        if kind != "name":
            raise CheckFailed(f"this C text cannot be read at {text!r}", f"line {self.line}", "keep to the emitted form")
        if self.peek() == "(":
            self.take()
            arguments = []
            while self.peek() != ")":
                arguments.append(self.expression())
                if self.peek() == ",":
                    self.take()
            return Call(start, self.take(")")[3], text, tuple(arguments))
        if self.peek() == "[":
            self.take()
            index = self.expression()
            return Index(start, self.take("]")[3], text, index)
        return Name(start, end, text)


def read_expression(text: str, start: int, end: int) -> Expr:
    """The expression between two offsets.

    Raises:
        CheckFailed: It is none of the emitted form.
    """
    reader = _Reader(text, start, end)
    found = reader.expression()
    if reader.at != len(reader.tokens):
        raise CheckFailed(f"this C text cannot be read at {reader.peek()!r}", f"line {reader.line}", "keep to the emitted form")
    return found


def blank_comments(text: str) -> str:
    """The text with every comment replaced by spaces of the same length."""
    return re.sub(r"/\*.*?\*/", lambda found: re.sub(r"[^\n]", " ", found.group()), text, flags=re.DOTALL)


STRUCTS = (("state->gains.", "gains"), ("gains->", "gains"), ("state->", "state"), ("inputs->", "inputs"), ("outputs->", "outputs"))
FUNCTION = re.compile(r"^(?:static inline )?(\w+) (\w+)\(([^)]*)\)\n\{\n(.*?)^\}", re.MULTILINE | re.DOTALL)
DECLARE = re.compile(r"\s*(?:const )?(\w+) (\w+) =(?!=)")
LATER = re.compile(r"^\s+(\w+) (\w+);$", re.MULTILINE)
STORE = re.compile(r"\s*([A-Za-z_]\w*(?:(?:->|\.)\w+)*) =(?!=)")


class Program:
    """A controller's C text, read.

    Args:
        source: Text of NAME.c.
        header: Text of NAME.h.

    Raises:
        CheckFailed: A statement is not of the emitted form.
    """

    def __init__(self, source: str, header: str) -> None:
        self.source, self.header = source, header
        self.plain = blank_comments(source)
        self.members: dict[str, dict[str, str]] = {
            struct: {name: ctype for ctype, name in re.findall(r"(\w+) (\w+);", body)}
            for body, struct in re.findall(r"typedef struct \{(.*?)\} (\w+);", blank_comments(header), flags=re.DOTALL)
        }
        self.name = next((struct.removesuffix("_state") for struct in self.members if struct.endswith("_state")), "")
        self.parameters: dict[str, dict[str, str]] = {}
        self.returns: dict[str, str] = {}
        self.statements: list[Statement] = []
        for found in FUNCTION.finditer(self.plain):
            self.returns[found.group(2)] = found.group(1)
            self.parameters[found.group(2)] = {
                name: ctype for ctype, name in re.findall(r"(\w+) \*?(\w+)(?:,|$)", found.group(3))
            }
            self.statements += self._body(found.group(2), found.start(4), found.end(4))
        self.step = [statement for statement in self.statements if statement.function == f"{self.name}_step"]
        # Variables that get their value in a branch.
        found_step = next((found for found in FUNCTION.finditer(self.plain) if found.group(2) == f"{self.name}_step"), None)
        body = found_step.group(4) if found_step is not None else ""
        self.assigned: dict[str, str] = {name: ctype for ctype, name in LATER.findall(body) if ctype in TYPES}
        self.declared = {statement.target: statement for statement in self.step if statement.kind == "declare"}

    def _body(self, function: str, start: int, end: int) -> Iterator[Statement]:
        depth, begin = 0, start
        for at in range(start, end):
            if self.plain[at] not in ";{}":
                continue
            piece = self.plain[begin:at]
            if piece.strip():
                statement = self._statement(function, begin, at, depth)
                if statement is not None:
                    yield statement
            depth += {"{": 1, "}": -1}.get(self.plain[at], 0)
            begin = at + 1

    def _statement(self, function: str, begin: int, end: int, depth: int) -> Statement | None:
        begin += len(self.plain[begin:end]) - len(self.plain[begin:end].lstrip())
        piece = self.plain[begin:end]
        line = self.plain.count("\n", 0, begin) + 1

        def made(kind: str, ctype: str, target: str, start: int, stop: int) -> Statement:
            expr = read_expression(self.plain, start, stop)
            return Statement(function, kind, ctype, target, expr, begin, end + 1, line, depth)

        if found := DECLARE.match(piece):
            return made("declare", found.group(1), found.group(2), begin + found.end(), end)
        if found := STORE.match(piece):
            return made("store", "", found.group(1), begin + found.end(), end)
        if piece.startswith("return "):
            return made("return", "", "", begin + len("return "), end)
        if found := re.match(r"if \(", piece):
            return made("if", "", "", begin + found.end(), begin + len(piece.rstrip()) - 1)
        if piece.strip() == "else" or re.fullmatch(r"\(void\)\w+|[\w>.-]+\+\+|\w+ \w+", piece.strip()):
            return None
        raise CheckFailed("this statement cannot be read", f"line {line}: {piece.strip()[:60]}", "keep to the emitted form")

    def sides(self, statement: Statement) -> tuple[tuple[int, int], tuple[int, int]]:
        """Spans of the text between the braces of a condition and between those of its ``else``; the latter empty without one."""
        first = self._closing(statement.end)
        behind = re.match(r"\}\s*else\s*\{", self.plain[first:])
        if behind is None:
            return (statement.end, first), (first, first)
        return (statement.end, first), (first + behind.end(), self._closing(first + behind.end()))

    def _closing(self, at: int) -> int:
        """Place of the brace that closes the one before ``at``."""
        depth = 1
        while depth:
            depth += {"{": 1, "}": -1}.get(self.plain[at], 0)
            at += 1
        return at - 1

    def line_of(self, expr: Expr) -> int:
        """Line of an expression in the source, from 1."""
        return self.plain.count("\n", 0, expr.start) + 1

    def text(self, expr: Expr) -> str:
        """The expression as it stands in the text, on one line."""
        return " ".join(self.plain[expr.start : expr.end].split())

    def type_of(self, name: str, function: str = "") -> str:
        """C type of a variable or member as spelled; "" where it is unknown."""
        if name in self.declared and function in ("", f"{self.name}_step"):
            return self.declared[name].ctype
        if name in self.assigned and function in ("", f"{self.name}_step"):
            return self.assigned[name]
        for prefix, struct in STRUCTS:
            if name.startswith(prefix):
                return self.members.get(f"{self.name}_{struct}", {}).get(name.removeprefix(prefix), "")
        local = next((s.ctype for s in self.statements if s.function == function and s.kind == "declare" and s.target == name), "")
        return local or self.parameters.get(function, {}).get(name, "")

    def stores_of(self, member: str) -> list[Statement]:
        """Stores into ``state->member`` in the step function."""
        return [statement for statement in self.step if statement.kind == "store" and statement.target == f"state->{member}"]

    def init_of(self, member: str) -> Statement | None:
        """The store that initialises a member."""
        wanted = f"state->{member}"
        return next((s for s in self.statements if s.function == f"{self.name}_init" and s.target == wanted), None)
