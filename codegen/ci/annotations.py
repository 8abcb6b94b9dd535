"""Findings as annotation lines: ``::error file=...,line=...::...`` on standard output, which hosted CI shows beside the changed line.

Takes findings, gives lines.  Escapes are those of the services' documented workflow commands (common practice).
"""

from __future__ import annotations

from collections.abc import Sequence

from codegen.ci.finding import Finding


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _attribute(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")


def annotation_lines(findings: Sequence[Finding]) -> list[str]:
    """One line per broken property, and a warning per one that was left out and per planted defect that no check found."""
    lines = []
    for finding in findings:
        if finding.status not in ("broken", "left out", "missed"):
            continue
        kind = "error" if finding.status == "broken" else "warning"
        line = f",line={finding.line}" if finding.line else ""
        lines.append(f"::{kind} file={_attribute(finding.file)}{line},title={_attribute(finding.name)}::{_data(finding.message)}")
    return lines
