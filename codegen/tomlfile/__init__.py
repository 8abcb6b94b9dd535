"""TOML files read so that every fault can be told with file, line and key.

Takes a path or text, gives a `Document` (values and the line of every key) or a validated dataclass.
Knows nothing of machines or targets: the caller brings the schema and the class of error to raise.
"""

from codegen.tomlfile.document import Document, Fault, parse_document, raise_first, read_text
from codegen.tomlfile.validate import nearest, refusal, show, validate

__all__ = [
    "Document",
    "Fault",
    "nearest",
    "parse_document",
    "raise_first",
    "read_text",
    "refusal",
    "show",
    "validate",
]
