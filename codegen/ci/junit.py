"""Findings as JUnit XML, the elements that the Jenkins plugin's published schema (junit-10.xsd) knows.

Takes findings, gives text.  A broken property is a failure, one that does not apply or was left out is skipped; a planted defect that
no check found is told in the case's output, since it says nothing against the C.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.etree import ElementTree

from codegen.ci.finding import Finding

# Characters that XML 1.0 cannot hold, not even escaped (W3C, Extensible Markup Language 1.0, section 2.2).
_NOT_XML = re.compile(r"[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _clean(text: str) -> str:
    return _NOT_XML.sub("?", text)


def junit_text(suite_name: str, findings: Sequence[Finding]) -> str:
    """The XML document.

    Args:
        suite_name: Name of the test suite, usually the controller's.
        findings: One test case each.
    """
    broken = [finding for finding in findings if finding.status == "broken"]
    skipped = [finding for finding in findings if finding.status in ("not applicable", "left out")]
    totals = {"tests": str(len(findings)), "failures": str(len(broken)), "errors": "0"}
    seconds = f"{sum(finding.seconds for finding in findings):.3f}"
    root = ElementTree.Element("testsuites", {"name": "loopwright verify", "time": seconds, **totals})
    suite = ElementTree.SubElement(
        root, "testsuite", {"name": _clean(suite_name), "time": seconds, "skipped": str(len(skipped)), **totals}
    )
    for finding in findings:
        attributes = {"name": _clean(finding.name), "classname": _clean(suite_name), "time": f"{finding.seconds:.3f}"}
        case = ElementTree.SubElement(suite, "testcase", attributes)
        if finding.status == "broken":
            where = f"{finding.file}:{finding.line}: " if finding.line else f"{finding.file}: "
            failure = ElementTree.SubElement(case, "failure", {"type": "property", "message": _clean(where + finding.message)})
            failure.text = _clean("\n\n".join(part for part in (finding.statement, finding.detail, finding.program) if part))
        elif finding.status == "missed":
            where = f"{finding.file}:{finding.line}: " if finding.line else f"{finding.file}: "
            ElementTree.SubElement(case, "system-out").text = _clean(where + finding.message)
        elif finding.status != "holds":
            ElementTree.SubElement(case, "skipped", {"type": finding.status, "message": _clean(finding.message)})
    ElementTree.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"
