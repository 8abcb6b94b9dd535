"""Findings as SARIF 2.1.0 (OASIS, Static Analysis Results Interchange Format, version 2.1.0, 2020).

Takes findings, gives text.  Every property is a rule; every broken one is a result with file and line, and so is, as a warning, a
planted defect that no check found.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from codegen.ci.finding import Finding
from codegen.version import VERSION

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"

LEVELS = {"broken": "error", "missed": "warning"}


def rule_id(name: str) -> str:
    """A property's name as a stable identifier."""
    return "loopwright/" + re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


def sarif_text(findings: Sequence[Finding]) -> str:
    """The JSON document.

    Args:
        findings: One rule each; names are unique.
    """
    rules: dict[str, dict[str, Any]] = {}
    for finding in findings:
        rules.setdefault(
            rule_id(finding.name),
            {
                "id": rule_id(finding.name),
                "name": finding.name,
                "shortDescription": {"text": finding.name},
                "fullDescription": {"text": finding.statement},
                "defaultConfiguration": {"level": LEVELS.get(finding.status, "error")},
            },
        )
    places = {name: at for at, name in enumerate(rules)}
    broken = [finding for finding in findings if finding.status == "broken"]
    document = {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {"driver": {"name": "loopwright", "semanticVersion": VERSION, "rules": list(rules.values())}},
                "columnKind": "unicodeCodePoints",
                "invocations": [{"executionSuccessful": True, "exitCode": 1 if broken else 0}],
                "results": [
                    _result(finding, places[rule_id(finding.name)]) for finding in findings if finding.status in LEVELS
                ],
            }
        ],
    }
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _result(finding: Finding, rule: int) -> dict[str, Any]:
    return {
        "ruleId": rule_id(finding.name),
        "ruleIndex": rule,
        "level": LEVELS[finding.status],
        "message": {"text": f"{finding.name}: {finding.message}"},
        "locations": [
            {
                "physicalLocation": {
                    "artifactLocation": {"uri": quote(finding.file)},
                    "region": {"startLine": max(1, finding.line)},
                }
            }
        ],
        "properties": {"detail": finding.detail, "program": finding.program},
    }
