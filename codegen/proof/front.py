"""The whitelist: a C text of the stated subset as types, tables and functions; everything else is refused.

Takes one prepared text, gives a ``Program``.  Fails closed: each syntax node must be of a kind that is listed here, in a place where
it is allowed.  Knows no values: types are resolved under a data model later, arithmetic is somebody else's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pycparser import c_ast, c_generator
from pycparser.c_parser import CParser

from codegen.proof.models import CONSTANT_MACRO
from codegen.proof.refusal import Refusal
from codegen.proof.text import KEYWORDS, STANDARD_NAME, prepare

PRELUDE_NAMES = ("bool", *(f"{sign}int{bits}_t" for sign in ("", "u") for bits in (8, 16, 32, 64)))
PRELUDE = '# 1 "<types>"\n' + " ".join(f"typedef int {name};" for name in PRELUDE_NAMES) + "\n"

ALLOWED = frozenset(
    "FileAST Typedef TypeDecl IdentifierType Struct Decl FuncDecl ParamList PtrDecl FuncDef Compound Return If TernaryOp BinaryOp "
    "UnaryOp Constant ID FuncCall ExprList StructRef ArrayRef ArrayDecl Cast Typename Assignment InitList EmptyStatement".split()
)
REASONS = {
    "Goto": "goto",
    "Label": "label",
    "For": "loop",
    "While": "loop",
    "DoWhile": "loop",
    "Switch": "switch",
    "Union": "union",
    "Enum": "enumeration",
    "EllipsisParam": "variable number of arguments",
    "CompoundLiteral": "compound literal",
    "Pragma": "pragma",
    "NamedInitializer": "designated initialiser",
    "Attribute": "attribute",
    "StaticAssert": "_Static_assert is not C99",
}
BINARY = frozenset("+ - * / % << >> & | ^ < <= > >= == != && ||".split())
STEPS = frozenset(("p++", "p--", "++", "--"))
UNARY = frozenset("+ - ! ~".split()) | STEPS
ASSIGNMENTS = frozenset("= += -= *= /= %= <<= >>= &= |= ^=".split())


@dataclass(frozen=True)
class Parameter:
    """A parameter: its name, the words of its type, whether it is a pointer and what it points to is const."""

    name: str
    words: tuple[str, ...]
    pointer: bool
    const: bool
    fixed: bool


@dataclass(frozen=True)
class Function:
    """A function with its body; ``hidden`` if only this text can call it."""

    name: str
    hidden: bool
    place: str
    result: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    body: c_ast.Compound


@dataclass(frozen=True)
class Table:
    """A constant at file scope: its type's words, the length of an array (None for a single number) and its initialisers."""

    name: str
    place: str
    words: tuple[str, ...]
    length: c_ast.Node | None
    values: tuple[c_ast.Node, ...]


@dataclass
class Program:
    """What a text declares.

    Attributes:
        structs: Members of each struct type: name to the words of its type.
        functions: Functions by name.
        tables: Constants by name.
        checks: Array types whose length must be positive: (place, length).
        granted: What is taken for granted about instructions of the core.
    """

    structs: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)
    functions: dict[str, Function] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    checks: list[tuple[str, c_ast.Node]] = field(default_factory=list)
    names: set[str] = field(default_factory=set)
    prototypes: set[str] = field(default_factory=set)
    granted: tuple[str, ...] = ()


def place_of(node: c_ast.Node) -> str:
    """File and line."""
    return f"{node.coord.file}:{node.coord.line}" if node.coord else "?"


def text_of(node: c_ast.Node) -> str:
    """The expression as text, constants put in for their names."""
    return str(c_generator.CGenerator().visit(node))


def read_program(source: str, source_name: str, header: str, header_name: str) -> Program:
    """Parse and check a text.

    Raises:
        Refusal: The text is no C or lies outside the subset.
    """
    text, granted = prepare(source, source_name, header, header_name)
    try:
        tree = CParser().parse(PRELUDE + text, source_name)
    except Exception as error:  # pycparser raises its own and plain exceptions; each means "not read"
        raise Refusal(source_name, f"the text cannot be parsed: {error}") from error
    program = Program(granted=granted)
    for node in tree.ext[len(PRELUDE_NAMES) :]:
        _check(node)
        _declare(program, node)
    return program


# --- syntax ---


def _check(node: c_ast.Node) -> None:
    """Refuse every kind of node that is not listed, everywhere below ``node``."""
    kind = type(node).__name__
    place = place_of(node)
    if kind not in ALLOWED:
        raise Refusal(place, f"{REASONS.get(kind, kind)}: outside the subset")
    if getattr(node, "attributes", None) or getattr(node, "align", None):
        raise Refusal(place, "attribute or alignment: outside the subset")
    for qualifier in getattr(node, "quals", None) or ():
        if qualifier != "const":
            raise Refusal(place, f"{qualifier}: outside the subset")
    match node:
        case c_ast.Decl():
            _check_declaration(node, place)
        case c_ast.BinaryOp() if node.op not in BINARY:
            raise Refusal(place, f"operator {node.op}: outside the subset")
        case c_ast.UnaryOp() if node.op not in UNARY:
            what = {"&": "address of an object", "*": "use of a pointer other than ->"}.get(node.op, f"operator {node.op}")
            raise Refusal(place, f"{what}: outside the subset")
        case c_ast.Assignment() if node.op not in ASSIGNMENTS:
            raise Refusal(place, f"operator {node.op}: outside the subset")
        case c_ast.FuncCall():
            if not isinstance(node.name, c_ast.ID):
                raise Refusal(place, "call through an expression: outside the subset")
        case c_ast.Constant():
            if "int" not in node.type.split() and node.type not in ("bool", "_Bool"):
                raise Refusal(place, f"{node.type} constant: outside the subset")
        case c_ast.IdentifierType():
            words = set(node.names)
            if words & {"float", "double", "_Complex"}:
                raise Refusal(place, "floating point: outside the subset")
        case c_ast.ArrayRef():
            if not isinstance(node.name, c_ast.ID):
                raise Refusal(place, "index into an expression: outside the subset")
    for name, child in node.children():
        _check_place(node, name, child)
        _check(child)


def _check_declaration(node: c_ast.Decl, place: str) -> None:
    if node.bitsize is not None:
        raise Refusal(place, "bit-field: outside the subset")
    for word in (*node.storage, *node.funcspec):
        if word not in ("static", "inline"):
            raise Refusal(place, f"{word}: outside the subset")
    if node.name is not None and (node.name in KEYWORDS or STANDARD_NAME.fullmatch(node.name)):
        raise Refusal(place, f"{node.name} redefines a name of the language")


def _check_place(parent: c_ast.Node, name: str, child: c_ast.Node) -> None:
    """Side effects are statements, lists are arguments or initialisers, bodies are blocks."""
    place = place_of(child) if child.coord else place_of(parent)
    statement = (isinstance(parent, c_ast.Compound)) or (isinstance(parent, c_ast.If) and name in ("iftrue", "iffalse"))
    if isinstance(child, c_ast.Assignment) and not statement:
        raise Refusal(place, "assignment inside an expression: outside the subset")
    if isinstance(child, c_ast.UnaryOp) and child.op in STEPS and not statement:
        raise Refusal(place, "++ or -- inside an expression: outside the subset")
    if isinstance(child, c_ast.ExprList) and not (isinstance(parent, c_ast.FuncCall) and name == "args"):
        raise Refusal(place, "comma operator: outside the subset")
    if isinstance(child, c_ast.InitList) and not isinstance(parent, c_ast.Decl):
        raise Refusal(place, "nested initialiser: outside the subset")
    if isinstance(child, c_ast.Decl) and isinstance(parent, c_ast.If):
        raise Refusal(place, "declaration without a block: outside the subset")
    if isinstance(child, c_ast.Struct | c_ast.FuncDecl) and isinstance(parent, c_ast.Compound | c_ast.Cast):
        raise Refusal(place, "type declared inside a function: outside the subset")
    if isinstance(child, c_ast.Typedef) and not isinstance(parent, c_ast.FileAST):
        raise Refusal(place, "type declared inside a function: outside the subset")


# --- declarations ---


def _declare(program: Program, node: c_ast.Node) -> None:
    place = place_of(node)
    match node:
        case c_ast.Typedef():
            _declare_type(program, node, place)
        case c_ast.FuncDef():
            _declare_function(program, node, place)
        case c_ast.Decl() if isinstance(node.type, c_ast.FuncDecl):
            _parameters(node.type)
            program.prototypes.add(node.name)
        case c_ast.Decl():
            _declare_table(program, node, place)
        case _:
            raise Refusal(place, f"{type(node).__name__} at file scope: outside the subset")


def _new_name(program: Program, name: str, place: str) -> None:
    if name in KEYWORDS or STANDARD_NAME.fullmatch(name):
        raise Refusal(place, f"{name} redefines a name of the language")
    if name in program.names:
        raise Refusal(place, f"{name} is declared twice")
    program.names.add(name)


def words_of(node: c_ast.Node, place: str) -> tuple[str, ...]:
    """The words of a plain type.

    Raises:
        Refusal: It is no plain type.
    """
    if isinstance(node, c_ast.TypeDecl) and isinstance(node.type, c_ast.IdentifierType):
        return tuple(node.type.names)
    raise Refusal(place, "pointer, array, struct or function type where a plain type must stand: outside the subset")


def _declare_type(program: Program, node: c_ast.Typedef, place: str) -> None:
    _new_name(program, node.name, place)
    if isinstance(node.type, c_ast.ArrayDecl):
        if words_of(node.type.type, place) != ("char",) or node.type.dim is None:
            raise Refusal(place, "array type: only char with a length, as a check at compile time")
        program.checks.append((place, node.type.dim))
        return
    if not isinstance(node.type, c_ast.TypeDecl) or not isinstance(node.type.type, c_ast.Struct):
        raise Refusal(place, f"type {node.name}: only structs may be given a name")
    struct = node.type.type
    members: dict[str, tuple[str, ...]] = {}
    for member in struct.decls or ():
        if not isinstance(member, c_ast.Decl) or member.name is None:
            raise Refusal(place, "unnamed member: outside the subset")
        if isinstance(member.type, c_ast.ArrayDecl):
            raise Refusal(place_of(member), "array in a struct: outside the subset")
        if member.name in members:
            raise Refusal(place_of(member), f"member {member.name} is declared twice")
        members[member.name] = words_of(member.type, place_of(member))
    if not members or struct.name is not None:
        raise Refusal(place, "struct with a tag or without members: outside the subset")
    program.structs[node.name] = members


def _parameters(declaration: c_ast.FuncDecl) -> tuple[Parameter, ...]:
    result: list[Parameter] = []
    for one in declaration.args.params if declaration.args else ():
        place = place_of(one) if one.coord else place_of(declaration)
        if isinstance(one, c_ast.Typename) and words_of(one.type, place) == ("void",) and len(declaration.args.params) == 1:
            return ()
        if not isinstance(one, c_ast.Decl) or one.name is None:
            raise Refusal(place, "parameter without a type and a name: outside the subset")
        if one.storage or one.funcspec:
            raise Refusal(place, "storage class of a parameter: outside the subset")
        if isinstance(one.type, c_ast.PtrDecl):
            target = one.type.type
            words = words_of(target, place)
            result.append(Parameter(one.name, words, True, "const" in target.quals, "const" in one.type.quals))
        else:
            result.append(Parameter(one.name, words_of(one.type, place), False, False, "const" in one.type.quals))
    if not declaration.args:
        raise Refusal(place_of(declaration), "function without a parameter list: outside the subset")
    names = [one.name for one in result]
    if len(set(names)) != len(names):
        raise Refusal(place_of(declaration), "two parameters have one name")
    return tuple(result)


def _declare_function(program: Program, node: c_ast.FuncDef, place: str) -> None:
    if node.param_decls:
        raise Refusal(place, "old-style parameters: outside the subset")
    declaration = node.decl
    _new_name(program, declaration.name, place)
    if "inline" in declaration.funcspec and "static" not in declaration.storage:
        raise Refusal(place, "inline without static: outside the subset")
    parameters = _parameters(declaration.type)
    for parameter in parameters:
        if parameter.name in program.names:
            raise Refusal(place, f"{parameter.name} hides another name")
    declared = {*program.functions, *program.prototypes, declaration.name}
    for name in _calls(node.body):
        if name not in declared and not CONSTANT_MACRO.fullmatch(name):
            raise Refusal(place, f"call of {name}, which this text does not define, or only further down")
    result = words_of(declaration.type.type, place)
    hidden = "static" in declaration.storage
    program.functions[declaration.name] = Function(declaration.name, hidden, place, result, parameters, node.body)


def _declare_table(program: Program, node: c_ast.Decl, place: str) -> None:
    if node.name is None:
        raise Refusal(place, "declaration of nothing: outside the subset")
    _new_name(program, node.name, place)
    array = node.type if isinstance(node.type, c_ast.ArrayDecl) else None
    words = words_of(array.type if array else node.type, place)
    if "const" not in node.quals or "static" not in node.storage:
        raise Refusal(place, f"{node.name}: what stands at file scope must be static const")
    if array is None:
        if node.init is None or isinstance(node.init, c_ast.InitList):
            raise Refusal(place, f"{node.name} has no plain initial value")
        program.tables[node.name] = Table(node.name, place, words, None, (node.init,))
        return
    if array.dim is None or array.dim_quals or not isinstance(node.init, c_ast.InitList):
        raise Refusal(place, f"table {node.name} needs a length and its values")
    program.tables[node.name] = Table(node.name, place, words, array.dim, tuple(node.init.exprs))


def called_functions(program: Program, roots: Mapping[str, str]) -> None:
    """Refuse functions that nobody calls, or that others could call: they would be shipped without a proof.

    Raises:
        Refusal: There is one.
    """
    reached: set[str] = set()
    stack = list(roots.values())
    while stack:
        name = stack.pop()
        if name in program.functions and name not in reached:
            reached.add(name)
            stack += _calls(program.functions[name].body)
    for name, function in program.functions.items():
        if name not in reached:
            raise Refusal(function.place, f"function {name} is neither an entry nor called: it would not be proved")
        if name not in roots.values() and not function.hidden:
            raise Refusal(function.place, f"function {name} is no entry and not static: others could call it with anything")


def _calls(node: c_ast.Node) -> list[str]:
    own = [node.name.name] if isinstance(node, c_ast.FuncCall) and isinstance(node.name, c_ast.ID) else []
    return own + [name for _, child in node.children() for name in _calls(child)]
