"""The list of threats is the standard's own, and every threat is tried or said to be elsewhere."""

from __future__ import annotations

import json
from pathlib import Path

from rootwright.prove.trials import THREATS, TRIALS
from rootwright.prove.trials.looks import LOOKS
from rootwright.prove.trials.threats import threat

# RFC 9124 section 4.2, subsections 1 to 18, in order.
KNOWN = [
    "THREAT.IMG.EXPIRED",
    "THREAT.IMG.EXPIRED.OFFLINE",
    "THREAT.IMG.INCOMPATIBLE",
    "THREAT.IMG.FORMAT",
    "THREAT.IMG.LOCATION",
    "THREAT.NET.REDIRECT",
    "THREAT.NET.ONPATH",
    "THREAT.IMG.REPLACE",
    "THREAT.IMG.NON_AUTH",
    "THREAT.UPD.WRONG_PRECURSOR",
    "THREAT.UPD.UNAPPROVED",
    "THREAT.IMG.DISCLOSURE",
    "THREAT.MFST.OVERRIDE",
    "THREAT.MFST.EXPOSURE",
    "THREAT.IMG.EXTRA",
    "THREAT.KEY.EXPOSURE",
    "THREAT.MFST.MODIFICATION",
    "THREAT.MFST.TOCTOU",
]


def test_the_threats_are_the_standards() -> None:
    assert [one.id for one in THREATS] == KNOWN
    assert [one.section for one in THREATS] == [f"4.2.{number}" for number in range(1, 19)]


def test_the_threats_agree_with_the_published_model(published_vectors: Path) -> None:
    published = json.loads((published_vectors / "suit" / "rfc9124_model.json").read_text())["threats"]
    assert [(one["id"], one["title"], one["section"]) for one in published] == [
        (one.id, one.title, one.section) for one in THREATS
    ]


def test_every_threat_is_tried_or_elsewhere() -> None:
    tried = {name for trial in (*TRIALS, *LOOKS) for name in trial.threats}
    elsewhere = {one.id for one in THREATS if one.elsewhere}
    assert elsewhere == {"THREAT.KEY.EXPOSURE", "THREAT.MFST.MODIFICATION"}
    assert tried == set(KNOWN) - elsewhere
    assert threat("THREAT.IMG.EXTRA").section == "4.2.15"


def test_trials_have_names_of_their_own() -> None:
    names = [trial.id for trial in (*TRIALS, *LOOKS)]
    assert len(set(names)) == len(names)
    assert len(names) >= 40
    assert all(trial.title and trial.alteration for trial in (*TRIALS, *LOOKS))
