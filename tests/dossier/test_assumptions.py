"""The register of assumptions: stable ids, open until somebody answers, and what does not apply left out."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from rootwright.describe.product import Assumption, Attacker, Procedure
from rootwright.dossier.assumptions import ASSUMPTIONS, OPEN, find_unknown, register
from rootwright.dossier.evidence import Evidence


def test_every_assumption_has_an_id_of_its_own_and_says_what_follows() -> None:
    ids = [assumption.id for assumption in ASSUMPTIONS]
    assert len(set(ids)) == len(ids)
    for assumption in ASSUMPTIONS:
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", assumption.id)
        assert assumption.about in {"part", "boot stage", "product", "people"}
        assert assumption.statement.endswith(".")
        assert assumption.if_false.endswith(".")


def test_the_manual_lists_exactly_these(repository: Path) -> None:
    text = (repository / "docs" / "dossier.md").read_text(encoding="utf-8")
    table = text.partition("## Assumptions")[2].partition("## From Python")[0]
    assert re.findall(r"^\| `([a-z-]+)` \|", table, flags=re.MULTILINE) == [a.id for a in ASSUMPTIONS]


def test_nobody_answers_means_open(small: Evidence) -> None:
    rows = register(small.product)
    assert rows
    assert all(row.is_open and row.owner == OPEN and row.page == OPEN for row in rows)


def test_an_answer_needs_owner_and_page(small: Evidence) -> None:
    answers = (Assumption("torn-erase", "hardware", "page 81"), Assumption("torn-program", "hardware", "  "))
    rows = {row.known.id: row for row in register(replace(small.product, assumptions=answers))}
    assert not rows["torn-erase"].is_open
    assert (rows["torn-erase"].owner, rows["torn-erase"].page) == ("hardware", "page 81")
    assert rows["torn-program"].is_open
    assert (rows["torn-program"].owner, rows["torn-program"].page) == ("hardware", OPEN)


def test_what_cannot_matter_is_left_out_unless_it_is_answered(small: Evidence) -> None:
    def ids(product: object) -> set[str]:
        return {row.known.id for row in register(product)}  # type: ignore[arg-type]

    product = replace(small.product, attackers=(), protect=())
    assert not {"exploit-cuts", "settings-load", "protection-holds", "protection-first"} & ids(product)
    assert "exploit-cuts" in ids(replace(product, attackers=(Attacker.EXPLOITED_APPLICATION,)))
    assert "protection-holds" in ids(replace(product, protect=("boot",)))
    flip = replace(product, update=replace(product.update, procedure=Procedure.BANK_FLIP.value))
    assert "settings-load" in ids(flip)
    assert "settings-closed" not in ids(flip)
    assert "settings-closed" in ids(replace(flip, attackers=(Attacker.EXPLOITED_APPLICATION,)))
    assert "exploit-cuts" in ids(replace(product, assumptions=(Assumption("exploit-cuts", "us", "p. 1"),)))


def test_unknown_and_repeated_ids_are_found(small: Evidence) -> None:
    answers = tuple(Assumption(i, "a", "b") for i in ("torn-erase", "no-such", "figures", "figures"))
    assert find_unknown(replace(small.product, assumptions=answers)) == ("no-such", "figures")
    assert find_unknown(small.product) == ()
