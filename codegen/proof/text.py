"""From the bytes of a C source and its header to one text that a parser can read: comments, the few directives, constants.

Takes the two texts, gives one with line markers.  Fails closed: whatever could make the parser read something else than a compiler
does (line splices, trigraphs, digraphs, other directives, macros that hide names) is refused with line and reason.

One choice by a compiler's own macro is read: an instruction of the core with the same in plain C beside it.  What is read is the plain C,
and that the instruction does the same is an assumption that the reader is told.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from codegen.proof.refusal import Refusal

INCLUDES = ("<stdint.h>", "<stdbool.h>")
TRIGRAPH = re.compile(r"\?\?[=/'()!<>-]")
DIGRAPH = re.compile(r"<:|:>|<%|%>|%:")
NUMBER = re.compile(r"-?\s*(?:U?INT(?:8|16|32|64)_C\(\s*[0-9]\w*\s*\)|[0-9]\w*)")
DIRECTIVE = re.compile(r"\s*#\s*(\w*)\s*(.*?)\s*$")
NAME = re.compile(r"[A-Za-z_]\w*")
# The letters of a number (15u, 0x1F) are no name.
WORD = re.compile(r"(?<!\w)[A-Za-z_]\w*")
KEYWORDS = frozenset(
    "auto break case char const continue default do double else enum extern float for goto if inline int long register restrict "
    "return short signed sizeof static struct switch typedef union unsigned void volatile while _Bool _Complex _Imaginary "
    "bool true false asm typeof".split()
)
STANDARD_NAME = re.compile(
    r"U?INT(_?LEAST|_?FAST)?(8|16|32|64|PTR|MAX)\w*|u?int\w*_t|(SIZE|PTRDIFF|WCHAR|WINT|SIG_ATOMIC)_M\w+|__\w*|_[A-Z]\w*"
)


@dataclass(frozen=True)
class Instruction:
    """An instruction of a core behind a compiler's own macro.

    Attributes:
        opening: The lines before its plain C, word for word.
        plain: The plain C, word for word: were another one allowed, callers could lean on what the instruction does not do.
        granted: What is taken for granted about it.
    """

    opening: tuple[str, ...]
    plain: str
    granted: str


INSTRUCTIONS = (
    Instruction(
        ("#ifdef __ARM_FEATURE_SAT", "#define saturate_32(x, n) ((int32_t)__builtin_arm_ssat((x), (n)))", "#else"),
        "static inline int32_t saturate_32(int32_t x, int n) { const int32_t high = (INT32_C(1) << (n - 1)) - 1; "
        "if (x < -high - 1) { return -high - 1; } return (x > high) ? high : x; }",
        "where the compiler defines __ARM_FEATURE_SAT, its __builtin_arm_ssat(x, n) holds x inside a signed word of n bits, "
        "as the plain C does",
    ),
)


def prepare(source: str, source_name: str, header: str, header_name: str) -> tuple[str, tuple[str, ...]]:
    """Put the header in place of its include line, take out comments, put in constants.

    Returns:
        The text, and what has to be taken for granted about instructions of the core.

    Raises:
        Refusal: The text has something that lies outside the subset.
    """
    constants: dict[str, str] = {}
    seen: set[str] = set()
    head = _Unit(header_name, _code_of(header, header_name), constants, seen)
    lines, granted = _plain(_code_of(source, source_name))
    body = _Unit(source_name, lines, constants, seen)
    before, after = body.around_include(header_name)
    guarded = head.inside_guard()
    # Constants of the source come into being after its include line, those of the header before anything that follows.
    parts = [
        _marked(source_name, 1, body.expand(before)),
        _marked(header_name, guarded[0][0] if guarded else 1, head.expand(guarded)),
        _marked(source_name, after[0][0] if after else 1, body.expand(after)),
    ]
    return "".join(parts), granted


def _plain(lines: list[str]) -> tuple[list[str], tuple[str, ...]]:
    """Lines in which each known instruction has made way for its plain C, and what that takes for granted.

    Where anything differs the directives stay, and are refused.
    """
    plain, granted = list(lines), []
    bare = [line.strip() for line in lines]
    for known in INSTRUCTIONS:
        size = len(known.opening)
        first = next((at for at in range(len(bare)) if tuple(bare[at : at + size]) == known.opening), None)
        if first is None:
            continue
        last = next((at for at in range(first + size, len(bare)) if bare[at].startswith("#")), None)
        if last is not None and bare[last] == "#endif" and " ".join(" ".join(bare[first + size : last]).split()) == known.plain:
            for at in (*range(first, first + size), last):
                plain[at] = ""
            granted.append(known.granted)
    return plain, tuple(granted)


def _marked(name: str, line: int, lines: list[str]) -> str:
    return f'# {line} "{name}"\n' + "\n".join(lines) + "\n" if lines else ""


def _code_of(text: str, name: str) -> list[str]:
    """Lines without comments; every character checked."""
    text = text.replace("\r\n", "\n")
    for number, line in enumerate(text.split("\n"), 1):
        place = f"{name}:{number}"
        if "\\" in line:
            raise Refusal(place, "backslash: a line splice or escape is outside the subset")
        if TRIGRAPH.search(line):
            raise Refusal(place, "trigraph: outside the subset")
        if any(ord(letter) < 32 and letter != "\t" for letter in line) or "\x7f" in line or "\u2028" in line:
            raise Refusal(place, "control character in the text")
    # A directive goes on after a comment that runs over its line end; the reading by lines below would stop too early.
    for match in re.finditer(r"/\*.*?\*/|//[^\n]*", text, flags=re.DOTALL):
        if "\n" in match[0] and "#" in text[text.rfind("\n", 0, match.start()) + 1 : match.start()]:
            raise Refusal(f"{name}:{text.count(chr(10), 0, match.start()) + 1}", "comment over several lines in a directive")
    # A block comment becomes one space and keeps its line ends.
    code = re.sub(r"/\*.*?\*/|//[^\n]*", lambda match: " " + "\n" * match[0].count("\n"), text, flags=re.DOTALL)
    lines = code.split("\n")
    for number, line in enumerate(lines, 1):
        place = f"{name}:{number}"
        if "/*" in line or "*/" in line:
            raise Refusal(place, "comment without begin or end")
        included = DIRECTIVE.match(line)
        plain = "" if included and included[1] == "include" else line
        if '"' in plain or "'" in plain:
            raise Refusal(place, "string or character literal: outside the subset")
        if DIGRAPH.search(plain):
            raise Refusal(place, "digraph: outside the subset")
        if not line.isascii() or "$" in line or "@" in line or "`" in line:
            raise Refusal(place, "a character that C does not have stands outside a comment")
    return lines


class _Unit:
    """One file's lines without comments."""

    def __init__(self, name: str, lines: list[str], constants: dict[str, str], seen: set[str]) -> None:
        self._name = name
        self._lines = list(enumerate(lines, 1))
        self._constants = constants
        self._seen = seen

    def _place(self, number: int) -> str:
        return f"{self._name}:{number}"

    def around_include(self, header_name: str) -> tuple[list[tuple[int, str]], list[tuple[int, str]]]:
        """Lines before and after the one include of the own header."""
        wanted = f'"{header_name}"'
        found = [
            index
            for index, (_, line) in enumerate(self._lines)
            if (match := DIRECTIVE.match(line)) and match[1] == "include" and match[2] == wanted
        ]
        if len(found) != 1:
            number = self._lines[found[1]][0] if found else 1
            raise Refusal(self._place(number), f"the text must include {wanted} exactly once")
        return self._lines[: found[0]], self._lines[found[0] + 1 :]

    def inside_guard(self) -> list[tuple[int, str]]:
        """The lines without the include guard that must enclose them; the guard's lines are blanked."""
        marks = [(index, match) for index, (_, line) in enumerate(self._lines) if (match := DIRECTIVE.match(line))]
        if len(marks) < 3 or marks[0][1][1] != "ifndef" or marks[1][1][1] != "define" or marks[-1][1][1] != "endif":
            raise Refusal(self._place(1), "the header must be enclosed in an include guard: #ifndef NAME, #define NAME, ..., #endif")
        name = marks[0][1][2]
        if not NAME.fullmatch(name) or marks[1][1][2] != name or marks[-1][1][2]:
            raise Refusal(self._place(self._lines[marks[1][0]][0]), "the include guard must define the name it asks for")
        if name in KEYWORDS or STANDARD_NAME.fullmatch(name):
            raise Refusal(self._place(self._lines[marks[0][0]][0]), f"include guard {name} is a name of the language")
        first, last = marks[0][0], marks[-1][0]
        if any(line.strip() for _, line in (*self._lines[:first], *self._lines[last + 1 :])):
            raise Refusal(self._place(1), "text outside the include guard")
        blanked = {first, marks[1][0], last}
        self._constants[name] = ""
        return [(number, "" if index in blanked else line) for index, (number, line) in enumerate(self._lines)]

    def expand(self, lines: list[tuple[int, str]]) -> list[str]:
        """Lines with directives carried out and constants put in."""
        return [self._line(number, line) for number, line in lines]

    def _line(self, number: int, line: str) -> str:
        match = DIRECTIVE.match(line)
        if match is None:
            if "#" in line:
                raise Refusal(self._place(number), "# outside a directive")
            self._seen.update(WORD.findall(line))
            return WORD.sub(lambda word: self._constant(word[0], number), line)
        match match[1]:
            case "include":
                if match[2] not in INCLUDES:
                    raise Refusal(self._place(number), f"include of {match[2]}: only {', '.join(INCLUDES)} and the own header")
            case "define":
                self._define(number, match[2])
            case _:
                raise Refusal(self._place(number), f"directive #{match[1]}: outside the subset")
        return ""

    def _constant(self, word: str, number: int) -> str:
        text = self._constants.get(word, word)
        if not text:
            raise Refusal(self._place(number), f"{word} is the include guard and has no value")
        return text

    def _define(self, number: int, text: str) -> None:
        match = re.fullmatch(r"([A-Za-z_]\w*)\s+(.+)", text)
        if match is None:
            raise Refusal(self._place(number), "a macro must be a name and one integer constant")
        name, value = match[1], match[2].strip()
        inner = value[1:-1].strip() if value.startswith("(") and value.endswith(")") else value
        if not NUMBER.fullmatch(inner):
            raise Refusal(self._place(number), f"macro {name} is not one integer constant")
        if name in KEYWORDS or STANDARD_NAME.fullmatch(name):
            raise Refusal(self._place(number), f"macro {name} hides a name of the language")
        if name in self._constants:
            raise Refusal(self._place(number), f"macro {name} is defined twice")
        if name in self._seen:
            raise Refusal(self._place(number), f"macro {name} is defined after its first use")
        # In brackets only if written so: a bare negative number after a binary minus is another program.
        self._constants[name] = f" {value} "
