"""Results in the forms that continuous integration reads: JUnit XML, SARIF, annotations, comparison with committed evidence."""

from codegen.ci.annotations import annotation_lines
from codegen.ci.baseline import compare_evidence
from codegen.ci.finding import Finding, findings_of, handwritten_findings
from codegen.ci.junit import junit_text
from codegen.ci.sarif import sarif_text

__all__ = [
    "Finding",
    "annotation_lines",
    "compare_evidence",
    "findings_of",
    "handwritten_findings",
    "junit_text",
    "sarif_text",
]
