"""Settings fields in the capture sheet: those with a lock field once, the others besides, complements as rows."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from products import locked, starter

from rootwright.describe.chip import Chip
from rootwright.describe.loading import load_chip
from rootwright.describe.lock_field import LifeState, LockField, LockRole, Observer
from rootwright.describe.settings import Complement
from rootwright.plan.lockdown.dump import Reading, read_dump
from rootwright.plan.lockdown.readback import make_readback
from rootwright.plan.lockdown.result import LockdownPlan, Readback
from rootwright.plan.lockdown.verdict import Answer, UnitVerdict, capture_sheet, judge_unit

BASE = 0x1FFF_8000

READ_LOCK = LockField(
    name="read-lock-word",
    role=LockRole.LEVEL,
    address=BASE + 8,
    protection="external-read-lock",
    low=0,
    bits=8,
    locked=0xCC,
    delivered=0xAA,
)


def plan_of(*fields: LockField) -> LockdownPlan:
    chip = replace(load_chip("two-banks-settings-area"), lock_fields=fields)
    return locked(starter(chip))


def row(plan: LockdownPlan, name: str) -> Readback:
    return next(field for field in plan.readback if field.name == name)


def judged(plan: LockdownPlan, words: dict[int, int]) -> UnitVerdict:
    state, observer = LifeState.DEVELOPMENT, Observer.PROBE
    sheet = capture_sheet(plan, unit="one", state=state, observer=observer)
    for word in sheet["words"]:
        word["value"] = f"0x{words[int(word['address'], 16)]:X}"
    return judge_unit(plan, read_dump(json.dumps(sheet).encode(), name="dump", given=Reading()))


def test_a_settings_field_without_a_lock_field_is_read_and_means_what_the_chip_file_says() -> None:
    plan = plan_of(READ_LOCK)
    assert [f.name for f in plan.readback] == ["read-lock-word", "read-lock-word-complement", "low-bank"]
    bank = row(plan, "low-bank")
    assert (bank.address, bank.mask, bank.bits, bank.stored) == (BASE, 0, 1 << 20, True)
    verdict = judged(plan, {BASE: 1 << 20, BASE + 8: 0xAA, BASE + 12: 0x55})
    found = next(f for f in verdict.fields if f.name == "low-bank")
    assert (found.answer, found.found) == (Answer.DONT_CARE, 1 << 20)
    assert "second bank low" in found.text
    assert not verdict.differs


def test_a_word_without_its_complement_differs() -> None:
    plan = plan_of(READ_LOCK)
    word = row(plan, "read-lock-word-complement")
    assert (word.address, word.value, word.mask, word.delivered) == (BASE + 12, 0x33, 0xFF, 0x55)
    (setting,) = [s for s in plan.settings if s.name == "read-lock-word"]
    assert "complement at 0x1FFF800C" in setting.says
    verdict = judged(plan, {BASE: 0, BASE + 8: 0xAA, BASE + 12: 0xAA})
    found = next(f for f in verdict.fields if f.name == "read-lock-word-complement")
    assert found.answer is Answer.DIFFERS
    assert verdict.differs


@pytest.mark.parametrize(
    ("complement", "field", "address", "mask"),
    [
        (Complement.UPPER_HALF, READ_LOCK, BASE + 8, 0xFF_0000),
        (Complement.UPPER_HALF, replace(READ_LOCK, width=16), BASE + 10, 0xFF),
        (Complement.NEXT_WORD, replace(READ_LOCK, width=64), BASE + 8, 0xFF << 32),
        (Complement.NEXT_WORD, replace(READ_LOCK, width=8), BASE + 12, 0xFF),
    ],
)
def test_where_complements_stand(complement: Complement, field: LockField, address: int, mask: int) -> None:
    chip = load_chip("two-banks-settings-area")
    areas = tuple(replace(area, complement=complement) for area in chip.settings_areas)
    part: Chip = replace(chip, settings_areas=areas, lock_fields=(field,))
    plan = locked(starter(part))
    word = row(plan, "read-lock-word-complement")
    assert (word.address, word.mask) == (address, mask)
    plain: Chip = replace(part, settings_areas=tuple(replace(a, complement=Complement.NONE) for a in areas))
    assert all("complement" not in f.name for f in make_readback(plain, plan.settings))
