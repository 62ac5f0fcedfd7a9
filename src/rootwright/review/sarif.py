"""Findings as SARIF 2.1.0 (OASIS, "Static Analysis Results Interchange Format", 27 March 2020), for code reviews.

Property names and what is required are those of sections 3.13 (sarifLog), 3.14 (run), 3.18 to 3.19 (tool), 3.27
(result), 3.28 to 3.30 (location, physicalLocation, region) and 3.49 (reportingDescriptor). The objects result and
reportingDescriptor were compared with the published schema; the rest is from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rootwright.plan.result import Finding
from rootwright.review.rules.model import Rule

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/os/schemas/sarif-schema-2.1.0.json"
OTHER = {"review.resist": "Every asset withstands what the product asks"}
"""Findings that are no design rules."""


def make_sarif(
    findings: Sequence[tuple[Finding, int]], rules: tuple[Rule, ...], *, file: str, version: str
) -> dict[str, Any]:
    """Return a SARIF log with one run.

    Args:
        findings: What was found, each with its line in the file counted from 1, 0 where it has none. Notes become
            notes, the rest errors.
        rules: All rules, also those that nothing breaks.
        file: The product file as a relative URI reference.
        version: Version of this tool.
    """
    descriptors = [
        *({"id": name, "shortDescription": {"text": title}} for name, title in OTHER.items()),
        *(_descriptor(rule) for rule in rules),
    ]
    index = {descriptor["id"]: place for place, descriptor in enumerate(descriptors)}
    return {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {"driver": {"name": "Rootwright", "semanticVersion": version, "rules": descriptors}},
                "columnKind": "unicodeCodePoints",
                "results": [_result(finding, index, file, line) for finding, line in findings],
            }
        ],
    }


def _descriptor(rule: Rule) -> dict[str, Any]:
    return {
        "id": rule.id,
        "shortDescription": {"text": rule.title},
        "fullDescription": {"text": rule.why},
        "help": {"text": f"{rule.mend}. Serves: {'; '.join(p.words for p in rule.serves)}."},
        "defaultConfiguration": {"level": "note" if rule.note else "error"},
    }


def _result(finding: Finding, index: dict[str, int], file: str, line: int) -> dict[str, Any]:
    physical: dict[str, Any] = {"artifactLocation": {"uri": file}}
    if line > 0:
        physical["region"] = {"startLine": line}
    location: dict[str, Any] = {"physicalLocation": physical}
    if finding.block:
        location["logicalLocations"] = [{"name": finding.block}]
    return {
        "ruleId": finding.rule,
        "ruleIndex": index[finding.rule],
        "level": "note" if finding.note else "error",
        "message": {"text": f"{finding.found}. Next: {finding.next_step}."},
        "locations": [location],
    }
