"""Values replaced by `--set`: where a path leads, what a value is, and that mistakes name the argument."""

from __future__ import annotations

import random

import pytest

from rootwright.describe.loading import load_product
from rootwright.describe.overrides import read_override
from rootwright.describe.problems import DescriptionProblems


@pytest.fixture(scope="module")
def demo(repository):
    return repository / "demo" / "river-gauge" / "product.toml"


def loaded(demo, *texts):
    return load_product(demo, overrides=[read_override(text) for text in texts])


def refused(demo, *texts):
    with pytest.raises(DescriptionProblems) as found:
        loaded(demo, *texts)
    return found.value.problems


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("update.procedure=copy-over", lambda p: p.update.procedure == "copy-over"),
        ('update.procedure = "copy-over"', lambda p: p.update.procedure == "copy-over"),
        ("image.application.growth=30 %", lambda p: p.image("application").growth == 0.3),
        ("images.application.growth=30 %", lambda p: p.image("application").growth == 0.3),
        ("image.3.growth=30 %", lambda p: p.image("application").growth == 0.3),
        ("keep.calibration.size=3 KiB", lambda p: p.keep[0].size == 3072),
        ("pin.lift.at=0x10000", lambda p: [pin.at for pin in p.pins if pin.block == "lift"] == [0x10000]),
        ("pin.boot.size=16 KiB", lambda p: next(pin.size for pin in p.pins if pin.block == "boot") == 16384),
        ("pin=[]", lambda p: p.pins == ()),
        ('lock.write_protect=["boot"]', lambda p: p.protect == ("boot",)),
        ("update.uri=coap://a.example/?x=1", lambda p: p.update.uri == "coap://a.example/?x=1"),
        ("fleet.updates_per_year=4", lambda p: p.fleet.updates_per_year == 4),
        ("chip.clock=40 MHz", lambda p: p.chip.clock_hz == 40e6),
        ("chip.memories.flash.endurance=1000", lambda p: p.chip.memory("flash").endurance == 1000),
        ("chip.memory.flash.erase.1.max=80 ms", lambda p: p.chip.memory("flash").erases[0].time.max_s == 0.08),
    ],
)
def test_a_value_is_replaced(demo, text, read):
    assert not read(load_product(demo))
    assert read(loaded(demo, text))


def test_a_later_value_wins(demo):
    assert loaded(demo, "fleet.devices=1", "fleet.devices=2").fleet.devices == 2


def test_all_sectors_of_a_memory_get_another_size(demo):
    before, after = load_product(demo).chip, loaded(demo, "chip.memories.flash.sector=2 KiB").chip
    flash, small = before.memory("flash"), after.memory("flash")
    assert small.size == flash.size
    assert [(run.count, run.size) for run in small.runs] == [(256, 2048)]
    assert [(erase.size, erase.time) for erase in small.erases] == [(2048, flash.erases[0].time)]


def test_another_part_takes_changes_too(demo):
    product = loaded(demo, "pin=[]", "chip=two-banks-settings-area", "chip.memories.flash.endurance=77")
    assert product.chip.memory("flash").endurance == 77


@pytest.mark.parametrize(
    ("text", "found", "suggestion"),
    [
        ("update.procedure", "no path=value", ""),
        ("=3", "no path=value", ""),
        ("update..procedure=3", "no path=value", ""),
        ("updat.procedure=copy-over", 'the table "updat"', 'did you mean "update"?'),
        ("memory.flash.endurance=3", 'the table "memory"', "a path into the chip file starts with chip."),
        ("image.aplication.growth=3 %", '"aplication" in image', 'did you mean "application"?'),
        ("image.application.growth=30", "30", 'did you mean "30 %"?'),
        ("update.procedure.name=3", "update.procedure, which is one value", "shorten the path"),
        ("update.procedure.name.more=3", "update.procedure, which is one value", "shorten the path"),
        ("update.procedur=copy-over", 'the key "procedur"', None),
        ("update.procedure=copyover", '"copyover"', None),
        ("chip=key-vaul", '"key-vaul"', 'did you mean "key-vault"?'),
        ("chip.memories.flash.sector=3 KiB", "sectors of 3 KiB", None),
        ("chip.memories.flash.sector=many", "sectors of many", None),
        ("image.9.growth=3 %", '"9" in image', None),
        ("image.application=3", "3", None),
    ],
)
def test_a_mistake_names_its_argument(demo, text, found, suggestion):
    problem = refused(demo, text)[0]
    assert problem.where == f"--set {text}"
    assert found in problem.found or found in problem.field or problem.field.endswith(found.split('"')[1])
    if suggestion is not None:
        assert problem.suggestion == suggestion


WORDS = ("image", "chip", "memories", "flash", "sector", "sectors", "erase", "pin", "boot", "1", "9", "size", "lock")
PATHS = ("image.application.growth", "pin.lift", "pin.boot.size", "fleet.devices", "chip.memory.flash.sector", "pin")
VALUES = (
    "3",
    "-1",
    "[]",
    "[3]",
    "{}",
    "{a = 1}",
    "true",
    '""',
    "2 KiB",
    "30 %",
    "nan",
    "inf",
    "1979-05-27",
    "0x",
    "[[",
)


@pytest.mark.slow
def test_whatever_is_set_is_taken_or_refused(demo):
    """Paths and values that fit nowhere, two at a time: a product comes back, or our error that names the argument."""
    rng = random.Random(7)
    taken = 0
    for _ in range(120):
        paths = [
            rng.choice(PATHS) if rng.random() < 0.6 else ".".join(rng.choices(WORDS, k=rng.randint(1, 5)))
            for _ in range(rng.randint(1, 2))
        ]
        overrides = [f"{path}={rng.choice(VALUES)}" for path in paths]
        try:
            load_product(demo, overrides=[read_override(text) for text in overrides], check_places=False)
            told = "--set "
            taken += 1
        except DescriptionProblems as error:
            told = str(error)
        assert "--set " in told, overrides
    assert 0 < taken < 115


def test_a_key_of_two_elements_needs_a_number(demo, tmp_path):
    text = demo.read_text(encoding="utf-8").replace('chip = "gx-512.toml"', 'chip = "part.toml"')
    chip = (demo.parent / "gx-512.toml").read_text(encoding="utf-8")
    (tmp_path / "product.toml").write_text(text, encoding="utf-8")
    (tmp_path / "part.toml").write_text(
        chip + '\n[[protection]]\nkind = "debug lock"\nlock = "until reset"\n', encoding="utf-8"
    )
    override = read_override("chip.protection.debug lock.note=x")
    with pytest.raises(DescriptionProblems, match=r'2 elements "debug lock" in protection'):
        load_product(tmp_path / "product.toml", check_files=False, overrides=[override])


def test_a_mistake_elsewhere_says_what_was_set(demo):
    problems = refused(demo, "chip=key-vault")
    assert {problem.line > 0 for problem in problems} == {True}
    assert all("(with --set chip=key-vault)" in problem.suggestion for problem in problems)


def test_without_a_check_of_places_the_map_check_has_the_word(demo):
    overrides = [read_override("pin.journal.at=0x3")]
    with pytest.raises(DescriptionProblems):
        load_product(demo, overrides=overrides)
    product = load_product(demo, overrides=overrides, check_places=False)
    assert next(pin.at for pin in product.pins if pin.block == "journal") == 3
