"""What a build may be called: the name becomes the prefix of every C identifier and the stem of every file.

Takes the raw value of a key, gives it back or refuses it. Sources: ISO/IEC 9899:1999, 6.4.1 (keywords) and
7.1.2 (standard headers), from memory; C++ words because the emitted header may be included from C++ (common
practice, no source).
"""

from __future__ import annotations

import re

from codegen.tomlfile import refusal, show


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_NAME = re.compile(r"[a-z][a-z0-9_]{0,30}")
_KEYWORDS = _words(
    """
    auto break case char const continue default do double else enum extern float for goto if inline int
    long register restrict return short signed sizeof static struct switch typedef union unsigned void
    volatile while alignas alignof asm bool catch class consteval constexpr constinit decltype delete
    explicit export false friend mutable namespace new noexcept nullptr operator private protected
    public requires template this throw true try typeid typename typeof using virtual and bitand bitor
    compl not or xor
    """
)
# NAME.h must not stand before the standard header of that name on the include path.
_HEADERS = _words(
    """
    assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal stdalign
    stdarg stdatomic stdbit stdbool stddef stdint stdio stdlib stdnoreturn string tgmath threads time
    uchar wchar wctype
    """
)
# Prefixes of atomic_init, mtx_init and their like.
_TAKEN_PREFIXES = frozenset(["atomic", "cnd", "mtx", "pthread", "sem", "thrd", "tss"])
_PORTS = (f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10))
_DEVICES = frozenset(["aux", "con", "nul", "prn", *_PORTS])

_TITLE_LENGTH = 80
# The title stands in a C comment; a backslash joins the next line to it, and trigraphs can spell one.
_COMMENT_BREAKERS = ("*/", "/*", "\\", "??")


def check_name(raw: object) -> str:
    """Return `raw` if it is fit for a C prefix and a file name.

    Raises:
        PydanticCustomError: It is no text, not of the form ``[a-z][a-z0-9_]{0,30}``, or already has a meaning
            in C, C++ or as a file.
    """
    if not isinstance(raw, str):
        raise refusal(f"{show(raw)} stands where text is asked for", 'write it in quotes, as in "lantern"')
    if not _NAME.fullmatch(raw):
        raise refusal(
            f"{show(raw)} cannot be the prefix of C identifiers" if raw else "the name is empty",
            "use a lower-case letter, then at most 30 lower-case letters, digits and underscores",
        )
    for taken, meaning in (
        (_KEYWORDS, "is a word of the C or C++ language"),
        (_HEADERS, "is the name of a standard header"),
        (_TAKEN_PREFIXES, "is the prefix of functions that a C library already has"),
        (_DEVICES, "cannot be a file name on every system"),
    ):
        if raw in taken:
            raise refusal(f"{show(raw)} {meaning}", f'choose another name, for example "{raw}_robot"')
    return raw


def check_title(raw: object) -> str:
    """Return `raw` if it is a one-line text that is safe in a C comment.

    Raises:
        PydanticCustomError: No text, empty, longer than 80 characters, or holds unprintable characters or
            characters that end or continue a C comment.
    """
    if not isinstance(raw, str):
        raise refusal(
            f"{show(raw)} stands where text is asked for", 'write it in quotes, as in "Museum lantern"'
        )
    if not raw.strip():
        raise refusal("the title is empty", "say in a few words which machine this is")
    if len(raw) > _TITLE_LENGTH:
        raise refusal(f"the title has {len(raw)} characters", f"shorten it to at most {_TITLE_LENGTH}")
    if not raw.isprintable():
        raise refusal(
            "the title holds a line break or another unprintable character", "use plain text on one line"
        )
    for breaker in _COMMENT_BREAKERS:
        if breaker in raw:
            raise refusal(f"the title holds {breaker}, which has a meaning in C comments", "leave it out")
    return raw
