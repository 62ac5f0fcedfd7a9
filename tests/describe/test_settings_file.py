"""Settings areas, views, and what goes with them in memories, protections and products: what is read and refused."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from rootwright.describe.chip import Chip, Follows, Lock, ProtectionKind, TornProgram
from rootwright.describe.loading import load_chip, load_product
from rootwright.describe.problems import Problem
from rootwright.describe.settings import Complement, Effect, Loaded, Purpose, Side, Torn

Mistakes = Callable[..., tuple[Problem, ...]]

AREA = """\
[[memory]]
name = "words"
kind = "settings area"
base = 0x1000_0000
sectors = [{ count = 1, size = "64 B" }]
program_unit = "8 B"
erase = [{ size = "64 B", typ = "2 ms", max = "3 ms" }]
program = { typ = "80 us", max = "120 us" }
endurance = 250
executable = false
[[memory]]
name = "once"
kind = "one-time words"
base = 0x1100_0000
sectors = [{ count = 32, size = "8 B" }]
program_unit = "4 B"
lock_unit = "8 B"
read_limit = 10_000
torn_bits_settle = false
program = { typ = "20 us", max = "60 us" }
executable = false
[[settings]]
memory = "words"
unlock = [{ address = 0x5001_0010, value = 0x1357_9BDF }, { address = 0x5001_0010, value = 0x0246_8ACE }]
loaded = "power-up"
load_resets = false
complement = "upper half"
torn = ["old", "default", "locked"]
[[settings.field]]
name = "low-bank"
purpose = "bank mapping"
offset = 8
bit = 4
width = 4
active_low = true
values = [{ value = 0x5, means = "first", maps = 0 }, { value = 0xA, means = "second", maps = 1 }]
otherwise = "neither"
default = "first"
transition = [
    { before = "first", after = "neither", effect = "locks the area" },
    { before = "neither", after = "first", possible = false },
]
[[view]]
name = "mirror"
memory = "flash"
address = 0x4000_0000
offset = "8 KiB"
size = "16 KiB"
when = { field = "low-bank", means = "second" }
side = "non-secure"
cached = true
[[view]]
name = "whole"
memory = "flash"
address = 0x5000_0000
executes = false
"""

PROTECTION = 'covers = ["flash"]\ngranule = "4 KiB"\nlock = "permanent"\n'
FOLLOWS = PROTECTION + 'follows = "address"\nheld_in = "words"\n'


@pytest.fixture
def text(part_text: str) -> str:
    """The sound part with a settings area, one-time words and two views."""
    return part_text.replace("[[protection]]", AREA + "[[protection]]", 1).replace(PROTECTION, FOLLOWS, 1)


@pytest.fixture
def part(text: str, tmp_path: Path) -> Chip:
    (tmp_path / "sound.toml").write_text(text, encoding="utf-8")
    return load_chip(tmp_path / "sound.toml")


def test_a_settings_area_is_read_whole(part: Chip) -> None:
    (area,) = part.settings_areas
    assert (area.memory, area.loaded, area.load_resets) == ("words", Loaded.POWER_UP, False)
    assert area.complement is Complement.UPPER_HALF
    assert area.torn == (Torn.OLD, Torn.DEFAULT, Torn.LOCKED)
    assert [(write.address, write.value) for write in area.unlock] == [
        (0x5001_0010, 0x1357_9BDF),
        (0x5001_0010, 0x0246_8ACE),
    ]
    assert area.find_field(Purpose.DEBUG_LOCK) is None
    field = area.find_field(Purpose.BANK)
    assert field is not None
    assert (field.offset, field.bit, field.width, field.active_low) == (8, 4, 4, True)
    assert [field.meaning(value) for value in (5, 0xA, 0)] == ["first", "second", "neither"]
    assert [field.bank(means) for means in ("first", "second", "neither")] == [0, 1, None]
    assert field.find_transition("first", "neither").effect is Effect.LOCKS_AREA
    assert not field.find_transition("neither", "first").possible
    assert part.memory("words").endurance == 250


def test_views_are_read_whole(part: Chip) -> None:
    mirror, whole = part.views
    assert (mirror.address, mirror.offset, mirror.size, mirror.end) == (0x4000_0000, 8192, 16384, 0x4000_4000)
    assert (mirror.field, mirror.value, mirror.side, mirror.cached) == ("low-bank", "second", Side.NON_SECURE, True)
    assert (whole.size, whole.field, whole.executes) == (part.memory("flash").size, "", False)
    assert part.find_place(0x4000_0000) is None
    assert part.find_place(0x4000_0004, {"low-bank": "second"}) == ("flash", 8196)


def test_one_time_words_and_protections_are_read_whole(part: Chip) -> None:
    once = part.memory("once")
    assert (once.lock_unit, once.read_limit, once.torn_bits_settle) == (8, 10_000, False)
    way, locks = part.find_protections(ProtectionKind.WRITE_PROTECTION)
    assert (locks.name, locks.covers, locks.granule, locks.lock) == ("once-locks", ("once",), 8, Lock.PERMANENT)
    assert (way.follows, way.held_in) == (Follows.ADDRESS, "words")


def test_units_of_a_memory_may_differ(text: str, tmp_path: Path) -> None:
    units = 'program_unit = "8 B"\ntear_unit = "32 B"\nreprogram_unit = "16 B"\n'
    units += 'page = "256 B"\ntorn_program = "any bytes"\n'
    path = tmp_path / "units.toml"
    path.write_text(text.replace('program_unit = "8 B"\n', units, 1), encoding="utf-8")
    flash = load_chip(path).memory("flash")
    assert (flash.program_unit, flash.tear_unit, flash.reprogram_unit, flash.page) == (8, 32, 16, 256)
    assert flash.torn_program is TornProgram.ANY_BYTES


def test_what_is_left_out_has_safe_values(part_text: str, tmp_path: Path) -> None:
    (tmp_path / "plain.toml").write_text(part_text, encoding="utf-8")
    chip = load_chip(tmp_path / "plain.toml")
    flash = chip.memory("flash")
    assert (chip.settings_areas, chip.views) == ((), ())
    assert (flash.reprogram_unit, flash.page, flash.cached) == (flash.program_unit, 0, False)
    assert flash.torn_program is TornProgram.TOGETHER


MISTAKES = [
    # where, what is swapped, the field path of the finding, words of found and expected
    ('memory = "words"', 'memory = "word"', "settings[0].memory", "word", "settings area"),
    ('torn = ["old", "default", "locked"]', "torn = []", "settings[0].torn", "empty", "what a cut can leave"),
    ('torn = ["old", "default", "locked"]', 'torn = ["oldest"]', "settings[0].torn[0]", "oldest", '"old", "new"'),
    ('default = "first"\n', "", "settings[0].field[0].default", "nothing", "default state"),
    ('default = "first"', 'default = "frist"', "settings[0].field[0].default", "frist", "first"),
    ('otherwise = "neither"\n', "", "settings[0].field[0].otherwise", "nothing", "other 14 values"),
    ("bit = 4\nwidth = 4", "bit = 14\nwidth = 4", "settings[0].field[0].bit", "14 to 17", "lower 16 bits"),
    ("offset = 8\n", "offset = 62\n", "settings[0].field[0].offset", "62", "word"),
    ("offset = 8\n", "offset = 64\n", "settings[0].field[0].offset", "64", "inside 64"),
    ("value = 0xA,", "value = 0x5,", "settings[0].field[0].values[1].value", "second time", "once"),
    ("value = 0xA,", "value = 0x1A,", "settings[0].field[0].values[1].value", "0x1A", "4 bits"),
    (", maps = 1", "", "settings[0].field[0].values", "no value for one", "maps = 1"),
    ('purpose = "bank mapping"', 'purpose = "other"', "settings[0].field[0].values[0].maps", "0", "bank mapping"),
    ('after = "neither"', 'after = "nether"', "settings[0].field[0].transition[0].after", "nether", "neither"),
    ("possible = false", 'possible = false, effect = "mass erase"',
     "settings[0].field[0].transition[1].effect", "mass erase", "refuses"),
    ('before = "first", after = "neither"', 'before = "neither", after = "neither"',
     "settings[0].field[0].transition[0].after", "neither", "another meaning"),
    ("endurance = 250\n", "", "memory[2].endurance", "0", "erase cycles"),
    ('memory = "flash"\naddress = 0x4000_0000', 'memory = "flsh"\naddress = 0x4000_0000',
     "view[0].memory", "flsh", "flash"),
    ('offset = "8 KiB"', 'offset = "1 MiB"', "view[0].offset", "1 MiB", "inside"),
    ('size = "16 KiB"', 'size = "1 MiB"', "view[0].size", "1 MiB", "rest of the memory"),
    ("address = 0x5000_0000", "address = 0xFFFF_0000", "view[1].address", "0xFFFF_0000", "32-bit"),
    ("address = 0x5000_0000", "address = 0x4000_0000", "view[1].address", "begins too", "address of its own"),
    ('name = "whole"', 'name = "mirror"', "view[1].name", "second time", "different name"),
    ('field = "low-bank", means', 'field = "low-bnk", means', "view[0].when.field", "low-bnk", "low-bank"),
    ('means = "second" }\nside', 'means = "secnd" }\nside', "view[0].when.means", "secnd", "second"),
    ('follows = "address"\n', "", "protection[0].follows", "nothing", "trade addresses"),
    ('held_in = "words"', 'held_in = "word"', "protection[0].held_in", "word", "words"),
    ('lock_unit = "8 B"', 'lock_unit = "6 B"', "memory[3].lock_unit", "6", "program unit"),
    ('kind = "one-time words"', 'kind = "flash"', "memory[3].read_limit", "10000", "one-time words"),
    ('banks = 2\nprogram_unit = "8 B"', 'banks = 2\nprogram_unit = "8 B"\nreprogram_unit = "12 B"',
     "memory[0].reprogram_unit", "12", "program unit"),
    ('banks = 2\nprogram_unit = "8 B"', 'banks = 2\nprogram_unit = "8 B"\npage = "12 B"',
     "memory[0].page", "12", "program unit"),
    ('banks = 2\nprogram_unit = "8 B"', 'banks = 2\nprogram_unit = "8 B"\npage = "6 KiB"',
     "memory[0].sectors[0].size", "4 KiB", "whole pages"),
    ('banks = 2\nprogram_unit = "8 B"',
     'banks = 2\nprogram_unit = "8 B"\necc_error = "nmi"\ntorn_program = "any bytes"',
     "memory[0].torn_program", "any bytes", "check bits"),
    ('granule = "4 KiB"\n', 'groups = ["64 KiB", "100 KiB", "92 KiB"]\n', "", "", ""),
    ('granule = "4 KiB"\n', 'groups = ["64 KiB", "62 KiB"]\n', "protection[0].groups[1]", "62 KiB", "whole sectors"),
    ('granule = "4 KiB"\n', 'groups = ["64 KiB"]\n', "protection[0].groups", "64 KiB in all", "cover"),
    ('granule = "4 KiB"\n', 'granule = "4 KiB"\ngroups = ["256 KiB"]\n',
     "protection[0].granule", "4 KiB", "beside groups"),
    ('lock = "permanent"', 'lock = "permanent"\nwatermark = "up to it"',
     "protection[0].watermark", '"up to it"', "kind"),
    ('lock = "permanent"', 'lock = "permanent"\nfixed_attribution = true',
     "protection[0].fixed_attribution", "true", "kind"),
]  # fmt: skip


def at(problem: Problem, path: str) -> bool:
    """Say whether a finding stands at the last key of a path, in a table of its first key."""
    words = re.findall(r"[a-z_]+", path)
    return problem.field.startswith(words[0]) and words[-1] in problem.field.rpartition(":")[2]


@pytest.mark.parametrize(("old", "new", "path", "found", "expected"), MISTAKES)
def test_each_contradiction_is_found_where_it_stands(
    chip_mistakes: Mistakes, text: str, old: str, new: str, path: str, found: str, expected: str
) -> None:
    problems = chip_mistakes((old, new), text=text)
    if not path:
        assert problems == ()
        return
    hits = [p for p in problems if at(p, path) and found in p.found and expected in p.expected]
    assert hits, [(p.field, p.found, p.expected) for p in problems]
    assert hits[0].line > 0


def test_a_value_map_of_all_values_needs_no_otherwise(chip_mistakes: Mistakes, text: str) -> None:
    two = ("bit = 4\nwidth = 4", "bit = 4\nwidth = 1")
    values = ("value = 0x5,", "value = 0,"), ("value = 0xA,", "value = 1,"), ('otherwise = "neither"\n', "")
    moves = text[text.index("transition = [") : text.index("[[view]]")]
    assert chip_mistakes(two, *values, (moves, ""), text=text) == ()


def test_protection_follows_nothing_where_no_bank_is_mapped(chip_mistakes: Mistakes, part_text: str) -> None:
    problems = chip_mistakes((PROTECTION, PROTECTION + 'follows = "address"\n'), ("banks = 2\n", ""), text=part_text)
    assert [at(p, "protection[0].follows") for p in problems] == [True]


def test_a_reset_address_in_a_view_is_one(chip_mistakes: Mistakes, text: str) -> None:
    reset = ("reset_address = 0x0\n", "reset_address = 0x4000_0100\n")
    assert chip_mistakes(reset, text=text) == ()
    beside = ("reset_address = 0x0\n", "reset_address = 0x5000_0100\n")  # a view that code does not run through
    assert [at(p, "chip.reset_address") for p in chip_mistakes(beside, text=text)] == [True]


# -- what a product says of it


def test_a_product_may_migrate_run_through_a_view_and_keep_its_floor_in_words(
    product_text: str, text: str, tmp_path: Path
) -> None:
    told = product_text.replace(
        'size = "1 KiB"\n', 'size = "1 KiB"\nmigrate = { before = 1, after = 2, at = 0x2_0000 }\n'
    )
    told = told.replace('growth = "10 %"\n', 'growth = "10 %"\nview = "mirror"\n')
    told = told.replace("sequence = 1\n", 'sequence = 1\nfloor = "once"\n')
    (tmp_path / "part.toml").write_text(text, encoding="utf-8")
    (tmp_path / "product.toml").write_text(told, encoding="utf-8")
    product = load_product(tmp_path / "product.toml")
    migrate = product.keep[0].migrate
    assert migrate is not None
    assert (migrate.before, migrate.after, migrate.at, migrate.memory) == (1, 2, 0x2_0000, None)
    assert product.update.floor == "once"
    assert product.link_address("application", 8192 + 4) == 0x4000_0004
    assert product.link_address("boot", 8192) == 8192


@pytest.mark.parametrize(
    ("old", "new", "path", "expected"),
    [
        ('size = "1 KiB"', 'size = "1 KiB"\nmigrate = { before = 2, after = 2 }', "keep[0].migrate.after", "above 2"),
        ('size = "1 KiB"', 'size = "1 KiB"\nmigrate = { before = 1 }', "keep[0].migrate.after", "to be given"),
        ('size = "1 KiB"', 'size = "1 KiB"\nmigrate = { before = 1, after = 2, memory = "flsh" }',
         "keep[0].migrate.memory", "flash"),
        ('size = "1 KiB"', 'size = "1 KiB"\nmigrate = { before = 1, after = 2, at = 0x101 }',
         "keep[0].migrate.at", "start of a sector"),
        ("sequence = 1\n", 'sequence = 1\nfloor = "flash"\n', "update.floor", "once"),
        ('growth = "10 %"\n', 'growth = "10 %"\nview = "whole"\n', "image[1].view", "mirror"),
        ('block = "run:application"\nat = 0x8000', 'block = "spare:settings"\nat = 0x8000',
         "pin[0].block", "block of this"),
    ],
)  # fmt: skip
def test_what_a_product_says_wrong_of_it(
    product_mistakes: Mistakes, text: str, old: str, new: str, path: str, expected: str
) -> None:
    problems = product_mistakes((old, new), part=text)
    assert any(at(p, path) and expected in p.expected for p in problems), [(p.field, p.expected) for p in problems]
