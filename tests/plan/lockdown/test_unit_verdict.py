"""Readback of one unit: field by field, stored and loaded apart; what is no dump of it is refused."""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import bincopy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.describe.loading import load_product
from rootwright.describe.lock_field import LifeState, Observer
from rootwright.errors import FormatError, ImageError, RootwrightError
from rootwright.pipeline import lock_down, plan_product
from rootwright.plan.lockdown.dump import Dump, Reading, read_dump, read_outcomes
from rootwright.plan.lockdown.result import LockdownPlan
from rootwright.plan.lockdown.verdict import Answer, Tried, UnitVerdict, capture_sheet, judge_unit

UNIT = "0x417"


@pytest.fixture(scope="module")
def plan(repository: Path) -> LockdownPlan:
    file = repository / "demo" / "river-gauge" / "product.toml"
    product = load_product(file)
    return lock_down(product, plan_product(product, file.parent))


def filled(plan: LockdownPlan, state: LifeState, observer: Observer, **changes: int) -> dict[str, Any]:
    """A sheet filled in as the plan wants it, but for some fields."""
    sheet = capture_sheet(plan, unit=UNIT, state=state, observer=observer)
    fields = {field.name: field for field in plan.readback}
    for word in sheet["words"]:
        value = 0
        for name in word["fields"]:
            field = fields[name]
            value |= field.delivered if state is LifeState.DEVELOPMENT and field.closes else field.value
            if field.is_unit:
                value |= int(UNIT, 16)
            if name in changes:
                value ^= changes[name]
        word["value"] = f"0x{value:X}"
    return sheet


def dumped(sheet: dict[str, Any]) -> Dump:
    return read_dump(json.dumps(sheet).encode(), name="dump.json", given=Reading())


def judged(plan: LockdownPlan, sheet: dict[str, Any], **arguments: Any) -> UnitVerdict:
    return judge_unit(plan, dumped(sheet), **arguments)


def answer(verdict: UnitVerdict, name: str) -> Answer:
    return next(f.answer for f in verdict.fields if f.name == name)


PRODUCTION = (LifeState.PRODUCTION, Observer.BOOT)


@pytest.mark.parametrize(
    ("state", "observer"),
    [PRODUCTION, (LifeState.DEVELOPMENT, Observer.PROBE), (LifeState.PRODUCTION, Observer.APPLICATION)],
)
def test_a_unit_as_planned(plan: LockdownPlan, state: LifeState, observer: Observer) -> None:
    verdict = judged(plan, filled(plan, state, observer))
    assert not verdict.differs
    assert verdict.bound == "its identifier field unit-number"
    assert answer(verdict, "lock-0") is Answer.SAME
    assert answer(verdict, "unit-number") is Answer.DONT_CARE


def test_what_an_observer_cannot_see_is_not_called_same(plan: LockdownPlan) -> None:
    sheet = filled(plan, LifeState.PRODUCTION, Observer.APPLICATION)
    verdict = judged(plan, sheet)
    assert answer(verdict, "port-word") is Answer.NOT_VISIBLE  # the chip file shows it to the boot stage alone
    sheet["words"].append({"address": "0x1FFF0010", "width": 32, "value": "0x3C5A96A5"})
    field = next(f for f in judged(plan, sheet).fields if f.name == "port-word")
    assert field.answer is Answer.NOT_VISIBLE
    assert "proves nothing" in field.text
    assert field.found is None


def test_a_difference_names_what_it_means_and_which_aims_it_touches(plan: LockdownPlan) -> None:
    verdict = judged(plan, filled(plan, *PRODUCTION, **{"lock-0": 0x0000_0100}))
    assert verdict.differs
    field = next(f for f in verdict.fields if f.name == "lock-0")
    assert field.answer is Answer.DIFFERS
    assert field.found == field.expected ^ 0x100
    assert "floor-kept" in verdict.fallen


def test_stored_and_loaded_are_two_things(plan: LockdownPlan) -> None:
    loaded = judged(plan, filled(plan, *PRODUCTION, **{"policy-0-loaded": 1}))
    assert answer(loaded, "policy-0") is Answer.SAME
    text = next(f.text for f in loaded.fields if f.name == "policy-0-loaded")
    assert "stored as planned: it is not loaded yet" in text
    stored = judged(plan, filled(plan, *PRODUCTION, **{"policy-0": 1}))
    text = next(f.text for f in stored.fields if f.name == "policy-0")
    assert "works until the next reset" in text


def test_bits_outside_the_mask_are_not_compared(plan: LockdownPlan) -> None:
    verdict = judged(plan, filled(plan, *PRODUCTION, **{"port-state": 0xFFFF_FFFE}))
    assert answer(verdict, "port-state") is Answer.SAME


def test_in_development_the_ports_must_still_be_open(plan: LockdownPlan) -> None:
    sheet = filled(plan, LifeState.DEVELOPMENT, Observer.PROBE, **{"port-word": 0xFFFF_FFFF ^ 0x3C5A_96A5})
    verdict = judged(plan, sheet)
    field = next(f for f in verdict.fields if f.name == "port-word")
    assert field.answer is Answer.DIFFERS
    assert "closed already" in field.text


def test_hex_and_raw_dumps(plan: LockdownPlan) -> None:
    sheet = filled(plan, LifeState.DEVELOPMENT, Observer.PROBE)
    other = bincopy.BinFile()  # an independent writer of Intel HEX
    for word in sheet["words"]:
        other.add_binary(int(word["value"], 16).to_bytes(word["width"] // 8, "little"), int(word["address"], 16))
    given = Reading(UNIT, "B", LifeState.DEVELOPMENT, Observer.PROBE)
    verdict = judge_unit(plan, read_dump(other.as_ihex().encode(), name="d.hex", given=given))
    assert not verdict.differs
    with pytest.raises(ImageError, match="raw bytes without a load address"):
        read_dump(b"\0" * 32, name="d.bin", given=given)
    raw = read_dump(b"\x55" * 32, name="d.bin", given=given, base=0x1FFF_0000)
    with pytest.raises(FormatError, match="the dump is short"):
        judge_unit(plan, raw)


@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_a_uniform_dump_is_no_dump(plan: LockdownPlan, byte: int) -> None:
    content = {a: byte for f in plan.readback for a in range(f.address, f.address + f.width // 8)}
    number = int.from_bytes(bytes([byte]) * 8, "little")
    silicon = next(f for f in plan.readback if f.is_silicon)
    from dataclasses import replace

    # A part without identifiers: nothing else tells a closed port from a unit.
    mute = replace(plan, readback=tuple(f for f in plan.readback if f is not silicon))
    reading = Reading(hex(number), "B", LifeState.DEVELOPMENT, Observer.PROBE)
    with pytest.raises(FormatError, match="every word reads all"):
        judge_unit(mute, Dump("d", reading, content))


def test_wrong_unit_silicon_or_nobody(plan: LockdownPlan) -> None:
    sheet = filled(plan, *PRODUCTION)
    with pytest.raises(FormatError, match="its identifier field unit-number reads 0x417"):
        judged(plan, {**sheet, "unit": "0x418"})
    with pytest.raises(FormatError, match="nothing says which unit"):
        judged(plan, {**sheet, "unit": ""})
    with pytest.raises(FormatError, match="silicon revision 'C'"):
        judged(plan, {**sheet, "silicon": "C"})
    with pytest.raises(FormatError, match="silicon-number reads 0x3"):
        judged(plan, filled(plan, *PRODUCTION, **{"silicon-number": 1}))
    with pytest.raises(FormatError, match="captured for the product 'Another one XY'"):
        judged(plan, {**sheet, "product": "Another one XY"})
    with pytest.raises(FormatError, match="captured for the part 'GX-256'"):
        judged(plan, {**sheet, "chip": "GX-256"})
    with pytest.raises(FormatError, match="in which state"):
        judged(plan, {k: v for k, v in sheet.items() if k != "state"})
    with pytest.raises(FormatError, match="was asked for"):
        read_dump(json.dumps(sheet).encode(), name="d", given=Reading(unit="0x999"))


def test_a_silicon_revision_may_be_any_text(plan: LockdownPlan) -> None:
    named = replace(plan, silicon="Überarbeitung 2, since lot 0417 " + "x" * 80)
    assert not judged(named, filled(named, *PRODUCTION)).differs


def test_a_missing_value_is_short(plan: LockdownPlan) -> None:
    for index in range(len(filled(plan, *PRODUCTION)["words"])):
        sheet = filled(plan, *PRODUCTION)
        sheet["words"][index]["value"] = None
        with pytest.raises(FormatError, match="missing"):
            judged(plan, sheet)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"words": 7}, "no list of words"),
        ({"words": [{"address": 0, "width": 12, "value": 1}]}, "a width of 12"),
        ({"words": [{"address": 0, "width": 8, "value": 256}]}, "value is 256"),
        ({"words": [{"address": "zero", "width": 8, "value": 1}]}, "address is 'zero'"),
        ({"words": [{"address": 0, "width": True, "value": 1}]}, "a width of True"),
        ({"words": [{"address": 0, "width": 8, "value": True}]}, "value is True"),
        ({"words": [{"address": 0, "width": 8, "value": 1}, {"address": 0, "width": 8, "value": 2}]}, "two values"),
        ({"words": [7]}, "no word of the capture sheet"),
        ({"state": "asleep"}, "state 'asleep'"),
        ({"observer": "cat"}, "observer 'cat'"),
        ({"version": 2}, "version 2"),
        ({"colour": "red"}, "unknown key 'colour'"),
        ({"unit": 7}, "unit is 7"),
    ],
)
def test_lying_sheets(change: dict[str, Any], text: str) -> None:
    base = {"version": 1, "unit": "a", "silicon": "B", "state": "production", "observer": "boot stage", "words": []}
    with pytest.raises(FormatError, match=text):
        read_dump(json.dumps({**base, **change}).encode(), name="d", given=Reading())


@pytest.mark.parametrize("data", [b"{", b'{"a": 1, "a": 2}', b"{" * 2000, b'{"words": \xff}'])
def test_broken_sheets(data: bytes) -> None:
    with pytest.raises(FormatError):
        read_dump(data, name="d", given=Reading())


def test_outcomes(plan: LockdownPlan) -> None:
    known = {attempt.id: attempt.expected for attempt in plan.attempts}
    good = {id: "refused" if expected == "refused" else "worked" for id, expected in known.items()}

    def read(outcomes: dict[str, str], unit: str = UNIT) -> dict[str, str]:
        data = json.dumps({"unit": unit, "outcomes": outcomes}).encode()
        return read_outcomes(data, name="o.json", unit=UNIT, known=known)

    sheet = filled(plan, *PRODUCTION)
    assert not judged(plan, sheet, outcomes=read(good)).differs
    open_port = judged(plan, sheet, outcomes=read({**good, "attach": "worked"}))
    assert open_port.differs
    assert "debug-closed" in open_port.fallen
    half = judged(plan, sheet, outcomes=read({"attach": "refused"}))
    assert half.differs
    assert {t.tried for t in half.tried} == {Tried.AS_EXPECTED, Tried.NOT_TRIED}
    with pytest.raises(FormatError, match="outcomes of unit"):
        read(good, unit="0x1")
    with pytest.raises(FormatError, match="does not have"):
        read({"dance": "refused"})
    with pytest.raises(FormatError, match='write "refused" or "worked"'):
        read({"attach": "maybe"})


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-1, 2**65) | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
_KEYS = st.sampled_from(["version", "unit", "silicon", "state", "observer", "words", "chip"])
_WORD = st.fixed_dictionaries({}, optional={"address": _JSON, "width": _JSON, "value": _JSON, "fields": _JSON})


@pytest.mark.slow
@given(st.dictionaries(_KEYS, _JSON | st.lists(_WORD, max_size=3), max_size=6) | _JSON)
def test_any_json_is_a_dump_or_our_error(sheet: Any) -> None:
    with contextlib.suppress(RootwrightError):
        read_dump(json.dumps(sheet).encode(), name="d", given=Reading(), base=0)


@pytest.mark.slow
@given(st.binary(max_size=80))
def test_any_bytes_are_a_dump_or_our_error(data: bytes) -> None:
    with contextlib.suppress(RootwrightError):
        read_dump(data, name="d", given=Reading(), base=0)
    with contextlib.suppress(RootwrightError):
        read_outcomes(data, name="o", unit="u", known={})
