"""Hypothesis strategies for TOML texts: small documents of every form, and damage to a sound file."""

from __future__ import annotations

from hypothesis import strategies as st

_KEYS = st.sampled_from(
    ["a", "b", "c-1", '"a"', "'b'", '"x.y"', '"q\\"=[#"', "''", "a.b", "b . c", 'c.a."z"']
)
_PLAIN = st.sampled_from(
    [
        "1",
        "-0.5e3",
        "true",
        "nan",
        "1979-05-27 07:32:00",
        "07:32:00",
        '"text"',
        '"a \\" ] } # = b"',
        "'C:\\'",
        '"""two\nlines ] "quoted" \\""""',
        "'''a\n'b' # ''''",
        '""',
        "''",
        '"""\\\n   joined"""',
    ]
)
_SPACE = st.sampled_from(["", " ", "\t"])
_BREAK = st.sampled_from(["", " ", "\n", " # a ] } comment = \n", "\n\n"])


def _list(items: list[tuple[str, str]], last: str) -> str:
    return "[" + ",".join(f"{space}{item}{space}" for item, space in items) + last + "]"


def _inline(pairs: list[tuple[str, str]]) -> str:
    return "{ " + ", ".join(f"{key} = {value}" for key, value in pairs) + " }"


VALUES = st.recursive(
    _PLAIN,
    lambda inner: st.one_of(
        st.builds(_list, st.lists(st.tuples(inner, _BREAK), max_size=3), _BREAK),
        st.builds(_inline, st.lists(st.tuples(_KEYS, inner), max_size=3)),
    ),
    max_leaves=5,
)

_STATEMENTS = st.one_of(
    st.builds(lambda key, a, b, value: f"{a}{key}{b}={b}{value}{a}", _KEYS, _SPACE, _SPACE, VALUES),
    st.builds(lambda key, a: f"[{a}{key}{a}]", _KEYS, _SPACE),
    st.builds(lambda key, a: f"[[{a}{key}{a}]] # [[x]]", _KEYS, _SPACE),
    st.sampled_from(["", "# a comment", "   "]),
)

DOCUMENTS = st.builds(
    lambda lines, end: end.join(lines), st.lists(_STATEMENTS, max_size=8), st.sampled_from(["\n", "\r\n"])
)

_BITS_OF_TOML = [*(bytes([character]) for character in b"=[]{}\"'#,.\n\r\x00\xff")]


@st.composite
def damaged(draw: st.DrawFn, content: bytes) -> bytes:
    """`content` after one to four stretches of it were overwritten, inserted, cut out or doubled."""
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(content)))
        end = min(len(content), start + draw(st.integers(0, 40)))
        stretch = draw(
            st.one_of(st.sampled_from(_BITS_OF_TOML), st.binary(max_size=4), st.just(content[start:end]))
        )
        place = draw(st.integers(0, len(content)))
        match draw(st.sampled_from(["replace", "insert", "cut"])):
            case "replace":
                content = content[:start] + stretch + content[end:]
            case "insert":
                content = content[:place] + stretch + content[place:]
            case "cut":
                content = content[:start] + content[end:]
    return content
