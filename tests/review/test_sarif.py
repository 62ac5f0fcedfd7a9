"""The SARIF log, against what the standard's schema requires of the objects that it uses.

Source: OASIS, SARIF 2.1.0, sarif-schema-2.1.0.json. `result` and `reportingDescriptor`: required properties, names and
values as in the published schema; the others from memory. Written here as a schema of our own that allows nothing else.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from rootwright.describe.lines import find_line
from rootwright.describe.product import Product
from rootwright.plan.result import Finding, PlanResult
from rootwright.review.rate import make_review
from rootwright.review.rules import RULES
from rootwright.review.sarif import make_sarif


def closed(properties: dict[str, Any], *required: str) -> dict[str, Any]:
    return {"type": "object", "additionalProperties": False, "properties": properties, "required": list(required)}


TEXT = closed({"text": {"type": "string", "minLength": 1}}, "text")
LEVEL = {"enum": ["none", "note", "warning", "error"]}
REGION = closed({"startLine": {"type": "integer", "minimum": 1}}, "startLine")
PHYSICAL = closed(
    {"artifactLocation": closed({"uri": {"type": "string", "format": "uri-reference"}}, "uri"), "region": REGION},
    "artifactLocation",
)
LOGICAL = {"type": "array", "items": closed({"name": {"type": "string"}})}
RESULT = closed(
    {
        "ruleId": {"type": "string"},
        "ruleIndex": {"type": "integer", "minimum": -1},
        "level": LEVEL,
        "message": TEXT,
        "locations": {
            "type": "array",
            "items": closed({"physicalLocation": PHYSICAL, "logicalLocations": LOGICAL}),
        },
    },
    "message",
)
DESCRIPTOR = closed(
    {
        "id": {"type": "string"},
        "shortDescription": TEXT,
        "fullDescription": TEXT,
        "help": TEXT,
        "defaultConfiguration": closed({"level": LEVEL}),
    },
    "id",
)
DRIVER = closed(
    {
        "name": {"type": "string"},
        "semanticVersion": {"type": "string"},
        "rules": {"type": "array", "items": DESCRIPTOR, "uniqueItems": True},
    },
    "name",
)
RUN = closed(
    {
        "tool": closed({"driver": DRIVER}, "driver"),
        "columnKind": {"enum": ["utf16CodeUnits", "unicodeCodePoints"]},
        "results": {"type": "array", "items": RESULT},
    },
    "tool",
)
LOG = closed(
    {
        "$schema": {"type": "string", "format": "uri"},
        "version": {"const": "2.1.0"},
        "runs": {"type": "array", "items": RUN},
    },
    "version",
    "runs",
)


@pytest.fixture(scope="module")
def log(demo: Product, demo_plan: PlanResult, demo_folder: Path) -> dict[str, Any]:
    text = (demo_folder / "product.toml").read_text()
    result = make_review(demo, demo_plan)
    assert result.findings
    placed = [
        (finding, find_line(text, field, finding.block))
        for finding, field in zip(result.findings, result.fields, strict=True)
    ]
    return make_sarif(placed, RULES, file="product.toml", version="1.2.3")


def test_the_log_has_what_the_standard_requires(log: dict[str, Any]) -> None:
    jsonschema.Draft202012Validator.check_schema(LOG)
    jsonschema.validate(json.loads(json.dumps(log)), LOG)


def test_every_result_leads_to_its_rule(log: dict[str, Any]) -> None:
    (run,) = log["runs"]
    rules = run["tool"]["driver"]["rules"]
    assert len(rules) == len(RULES) + 1
    for result in run["results"]:
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"]


def test_findings_are_errors_and_notes_are_notes() -> None:
    findings = [
        (Finding("keys.none", "key", "no key", "add one"), 0),
        (Finding("update.description", "update", "silent", "speak", True), 7),
        (Finding("review.resist", "boot code", "too cheap", "look"), 3),
    ]
    results = make_sarif(findings, RULES, file="product.toml", version="1")["runs"][0]["results"]
    assert [result["level"] for result in results] == ["error", "note", "error"]
    regions = [result["locations"][0]["physicalLocation"].get("region") for result in results]
    assert regions == [None, {"startLine": 7}, {"startLine": 3}]


def test_a_finding_stands_at_its_line(demo_folder: Path) -> None:
    text = (demo_folder / "product.toml").read_text()
    lines = text.splitlines()

    def shown(field: str, name: str = "") -> str:
        return lines[find_line(text, field, name) - 1]

    assert shown("update.uri").startswith("uri =")
    assert shown("lock.write_protect", "boot").startswith("write_protect =")
    assert shown("lock.application_unprivileged") == "[lock]"  # left out: the table
    assert shown("chip.silicon").startswith("chip =")  # in the part's file: where the product names it
    assert shown("key.file", "release").startswith("file =")
    place = find_line(text, "image.growth", "radio")
    assert lines[place - 1].startswith("growth")
    assert 'name = "radio"' in lines[place - 20 : place]
    assert find_line(text, "review.measures") == 1  # no such table: the first line


def test_a_line_is_found_in_a_file_with_a_byte_order_mark() -> None:
    assert find_line('\ufeff[update]\nuri = "x"\n', "update.uri") == 2
