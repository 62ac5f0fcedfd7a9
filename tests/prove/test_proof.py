"""A verdict in words and as data, and the flash of a failure as bytes."""

from __future__ import annotations

import json
from dataclasses import replace

import bincopy
import pytest
from configurations import PROTECTED, SOUND, ground_for

from rootwright.describe.product import Attacker, Procedure
from rootwright.device.content import Kind
from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import Again, Outcome, Port
from rootwright.device.procedures.either_slot import EitherSlot
from rootwright.device.procedures.parts import GOOD, NONE
from rootwright.errors import ProcedureError
from rootwright.prove.broken import BROKEN, Broken
from rootwright.prove.counterexample import require_replay
from rootwright.prove.explorer import Explorer
from rootwright.prove.export import MADE_UP
from rootwright.prove.level import Level
from rootwright.prove.proof import Verdict, check_level, prove

BUS = Attacker.EXTERNAL_BUS
APPLICATION = Attacker.EXPLOITED_APPLICATION


def broken(name: str) -> Broken:
    return next(each for each in BROKEN if each.name == name)


def content(block: str, kind: Kind, offset: int, size: int) -> bytes | None:
    """Return bytes that say whose content they are: the kind's number, then the place in steps of 256 bytes."""
    if kind is Kind.OLD:
        return None
    return b"".join(bytes([0x10 + kind, (offset + place) >> 8 & 0xFF]) for place in range(0, size, 2))


def failing(name: str, ground: Ground, level: Level) -> Verdict:
    verdict, closure = check_level(broken(name).make, ground, level, content=content)
    assert closure.failure is not None
    return verdict


def blocks_of(verdict: Verdict) -> dict[int, bytes]:
    """Return the exported HEX file by sectors of 4 KiB, read by a library of others."""
    assert verdict.exported is not None
    file = bincopy.BinFile()
    file.add_ihex(verdict.exported.hex)
    found: dict[int, bytes] = {}
    for segment in file.segments:
        assert segment.address % 0x1000 == 0
        assert len(segment.data) % 0x1000 == 0
        for start in range(0, len(segment.data), 0x1000):
            found[segment.address + start] = bytes(segment.data[start : start + 0x1000])
    return found


# Words and data


@pytest.mark.parametrize(
    ("level", "words"),
    [
        (Level(), "procedure model, 2 cells a piece, steady cells, actors: power, updates, bad images"),
        (
            Level(3, restless=True, attackers=frozenset({BUS, APPLICATION})),
            "procedure model, 3 cells a piece, restless cells, actors: power, updates, bad images, "
            "exploited application, external bus",
        ),
    ],
)
def test_a_level_says_what_it_assumes(level: Level, words: str) -> None:
    assert level.describe() == words


def test_a_proof_that_holds_as_data() -> None:
    proof = prove("copy-over", SOUND[Procedure.COPY_OVER], lambda cells: tiny_ground(2, cells), Level(1))
    data = json.loads(json.dumps(proof.as_data()))
    assert data["verdict"] == "holds"
    assert data["closed"] is True
    assert data["counterexample"] is None
    assert data["remedy"] is None
    assert data["level"] == Level(1, reads="are caught").describe()
    assert set(data["harder"]) == {"2 cells", "restless cells"}
    for beside in data["harder"].values():
        assert (beside["verdict"], beside["closed"], beside["counterexample"]) == ("holds", True, None)
    assert data["harder"]["restless cells"]["level"] == Level(1, restless=True, reads="are caught").describe()
    assert data["erases_per_run"] == 4
    assert len(data["not_claimed"]) == 1


def test_a_proof_that_fails_as_data() -> None:
    it = broken("request-closed-first")
    data = prove(it.name, it.make, lambda cells: tiny_ground(2, cells), Level(1)).as_data()
    assert (data["verdict"], data["closed"], data["harder"]) == ("fails", False, {})
    found = data["counterexample"]
    assert found["claim"] == "an uncut boot reaches an authentic image"
    assert found["cuts"] == 1
    assert [happening["kind"] for happening in found["story"]].count("cut") == 1
    assert found["story"][-1]["kind"] == "end"


def test_a_failure_at_a_harder_level_only_is_told_there() -> None:
    """Without writing every record again at power-up a torn one may be read otherwise the next time."""

    class Trusting(EitherSlot):
        def decide(self, port: Port) -> Outcome:
            word, slot = self.noted(port)
            asked = port.log("requests").newest() or NONE
            if word == "trial":
                return self.keep(port, slot) if asked == GOOD else self.go_back(port, slot)
            if word == "fresh":
                return self.begin_trial(port, slot)
            if asked[0] == "request" and asked[1] == 1 - slot and self.is_slot_acceptable(port, 1 - slot):
                port.log("journal").append(("fresh", 1 - slot))
                return self.begin_trial(port, 1 - slot)
            if asked != NONE:
                port.log("requests").append(NONE)
            return Again(("kept", slot))

    def ground_of(cells: int) -> Ground:
        return tiny_ground(1, cells, stage=False, second=True)

    proof = prove("trusting", Trusting, ground_of, Level(1))
    assert proof.steady.holds
    data = proof.as_data()
    assert data["verdict"] == "holds"
    assert data["harder"]["2 cells"]["verdict"] == "holds"
    assert data["harder"]["restless cells"]["verdict"] == "fails"
    assert data["harder"]["restless cells"]["counterexample"]["cuts"] >= 1


def test_words_for_one_cut_and_for_several() -> None:
    verdict = failing("request-closed-first", tiny_ground(2, 1), Level(1))
    assert verdict.words == "fails with 1 power cut"
    assert replace(verdict, cuts=2).words == "fails with 2 power cuts"
    bounded = replace(verdict, holds=True, level=Level(1, max_cuts=3))
    assert bounded.words == "holds, bounded at 3 cuts"
    assert replace(bounded, closed=True).words == "holds, closed"


# The flash of a failure


def test_the_hex_file_is_the_flash_before_the_last_cut() -> None:
    """By hand: request-closed-first is cut after the request is closed, in the erase of the first sector."""
    verdict = failing("request-closed-first", tiny_ground(2, 1), Level(1))
    flash = blocks_of(verdict)
    # run at 0x0000 and 0x1000 holds the current version, staging at 0x2000 and 0x3000 the newer one, keep at 0x4000
    assert set(flash) == {0x0000, 0x1000, 0x2000, 0x3000, 0x4000}
    for address, kind in ((0x0000, Kind.CURRENT), (0x1000, Kind.CURRENT), (0x2000, Kind.NEXT), (0x3000, Kind.NEXT)):
        place = address % 0x2000
        assert flash[address] == content("", kind, place, 0x1000)
    assert flash[0x4000] == content("", Kind.KEEP, 0, 0x1000)


def test_the_text_says_when_to_cut_and_what_follows() -> None:
    verdict = failing("request-closed-first", tiny_ground(2, 1), Level(1))
    assert verdict.exported is not None
    text = verdict.exported.text
    assert text.startswith("How to repeat it: program the HEX file")
    cut = next(happening for happening in verdict.story if happening.kind == "cut")
    assert cut.text in text
    assert "Cut the power " in text
    assert "  journal: kept\n  requests: none\n  floor: floor current\n" in text
    assert "Broken claim: an uncut boot reaches an authentic image." in text
    assert "parts that you can lose" in text


def test_content_without_a_file_and_torn_cells_are_noted_as_made_up() -> None:
    """The older version has no file here; weak sectors can not be shown by bytes."""
    verdict = failing("no-floor-check", tiny_ground(2, 1), Level(1))
    assert verdict.exported is not None
    assert "Cut the power" not in verdict.exported.text  # no cut is needed
    assert f"bytes {MADE_UP['no file']:#04x}" in verdict.exported.text
    assert any(set(data) == {MADE_UP["no file"]} for data in blocks_of(verdict).values())

    ground = tiny_ground(1, 1, stage=False)
    verdict = failing("erase-skipped", ground, Level(1, restless=True))
    assert verdict.exported is not None


def test_an_attacker_s_content_is_bytes_of_our_own() -> None:
    ground = tiny_ground(1, 1)
    level = Level(1, attackers=frozenset({APPLICATION}), protect=PROTECTED - {"run:application"})
    verdict, closure = check_level(SOUND[Procedure.COPY_OVER], ground, level, content=content)
    assert closure.failure is not None
    assert verdict.exported is not None
    assert f"foreign content is written as bytes {MADE_UP['foreign']:#04x}" in verdict.exported.text
    assert bytes([MADE_UP["foreign"]]) * 0x1000 in blocks_of(verdict).values()


@pytest.mark.parametrize("each", [pytest.param(each, id=each.name) for each in BROKEN])
def test_every_failure_can_be_exported_and_told(each: Broken) -> None:
    ground = ground_for(each.base, 2, 2, external=each.external_staging)
    level = Level(2, attackers=each.needs, protect=PROTECTED)
    verdict, closure = check_level(each.make, ground, level, content=content, earliest_cut=True)
    assert closure.failure is not None
    assert len(verdict.story) == len(closure.failure.path) + 1
    assert verdict.exported is not None
    assert set(blocks_of(verdict)) <= {sector.address for sector in ground.sectors}
    cuts = sum(happening.kind == "cut" for happening in verdict.story)
    resets = sum(happening.kind == "move" and "power" in happening.text for happening in verdict.story)
    assert cuts + resets >= verdict.cuts


def test_an_unconfirmed_failure_is_an_internal_error() -> None:
    """A failure must happen once more on the concrete device; one that does not is never dropped."""
    it = broken("request-closed-first")
    ground = tiny_ground(2, 1)
    explorer = Explorer(it.make(ground), ground, Level(1))
    failure = explorer.explore().failure
    assert failure is not None
    with pytest.raises(ProcedureError, match="is not confirmed: on the concrete device"):
        require_replay(replace(failure, cost=(2, 0, 0)), it.make(ground), ground, Level(1), explorer.world)
    with pytest.raises(ProcedureError, match="nothing fails"):
        require_replay(replace(failure, path=failure.path[:1]), it.make(ground), ground, Level(1), explorer.world)
    with pytest.raises(ValueError, match="the tables of the exploration"):
        require_replay(failure, it.make(ground), ground, Level(2), explorer.world)
