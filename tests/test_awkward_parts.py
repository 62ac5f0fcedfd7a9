"""Three deliberately awkward parts, from the chip file to a release: what each says changes what each stage answers."""

from __future__ import annotations

import json
import struct
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from rootwright.cli.check import command as check
from rootwright.cli.plan import command as plan_command
from rootwright.cli.prove import command as prove_command
from rootwright.cli.release import command as release
from rootwright.describe.chip import EccError, Lock, MemoryKind, ProtectionKind, Reprogram, TornProgram
from rootwright.describe.loading import load_chip, load_product
from rootwright.describe.product import Attacker
from rootwright.describe.settings import Torn
from rootwright.device.consumer.state import is_fill_readable
from rootwright.device.ground import Ground, ground_from_map, shorten_slots
from rootwright.device.port import POWER_UP, Again, Offer, Outcome, Port
from rootwright.device.procedures import needs
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import BankFlip
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.parts import REQUEST, receive_by_command
from rootwright.layout.map import Map
from rootwright.pipeline import lock_down, plan_product, prove_product
from rootwright.plan.lockdown.result import Moment
from rootwright.plan.result import PlanResult
from rootwright.prove.broken_settings import BankBelieved
from rootwright.prove.export import erased_value
from rootwright.prove.level import Level
from rootwright.prove.proof import check_level
from rootwright.release.shape import erased_byte

sys.path.insert(0, str(Path(__file__).parent / "prove"))

HEAD = """\
[product]
name = "Sluice board"
model = "SB-{number}"
maker = "Alderwater"
revision = "A"
vendor_domain = "alderwater.example"
class_name = "SB-{number} rev A"
chip = "{part}.toml"
[link]
name = "cable"
rate = "10 kB/s"
[fleet]
devices = 100
life = "10 years"
updates_per_year = 4
[[key]]
name = "release"
algorithm = "ESP256"
file = "keys/release.pem"
demo = true
"""

BANKS = """\
[update]
procedure = "bank-flip"
sequence = 7
watchdog = "8 s"
payload = "integrated"
[[image]]
name = "boot"
role = "boot stage"
version = "1.0.0"
size = "16 KiB"
[[image]]
name = "application"
role = "application"
version = "1.1.0"
file = "application.bin"
base = 0x0800_C000
view = "plain"
at = 0x0C00_C000
size = "64 KiB"
[[keep]]
name = "calibration"
size = "2 KiB"
migrate = { before = 1, after = 2 }
[[pin]]
block = "boot"
size = "16 KiB"
[[pin]]
block = "journal"
at = 0x0C00_4000
[[pin]]
block = "floor"
at = 0x0C00_5000
[[pin]]
block = "keys"
at = 0x0C00_6000
[[pin]]
block = "requests"
at = 0x0C00_8000
[[pin]]
block = "keep:calibration"
at = 0x0C00_9000
[[pin]]
block = "spare:calibration"
at = 0x0C00_9800
[[pin]]
block = "schema:calibration"
at = 0x0C00_A000
[lock]
write_protect = ["boot", "boot-copy", "keys", "journal", "floor", "run:application", "second:application"]
[attackers]
in_scope = ["exploited application"]
"""

EXTERNAL = """\
[update]
procedure = "copy-over"
sequence = 7
watchdog = "8 s"
payload = "integrated"
floor = "once"
staging = "external"
[[image]]
name = "boot"
role = "boot stage"
version = "1.0.0"
size = "32 KiB"
[[image]]
name = "application"
role = "application"
version = "1.1.0"
file = "application.bin"
base = 0x6002_0000
memory = "external"
at = 0x6002_0000
size = "128 KiB"
[[keep]]
name = "calibration"
size = "2 KiB"
[lock]
write_protect = ["boot", "run:application", "journal"]
"""

REWRITTEN = """\
[update]
procedure = "exchange-rotating"
sequence = 7
watchdog = "8 s"
payload = "integrated"
[[image]]
name = "boot"
role = "boot stage"
version = "1.0.0"
size = "32 KiB"
[[image]]
name = "application"
role = "application"
version = "1.1.0"
file = "application.bin"
base = 0x3001_0000
view = "other-side"
at = 0x2001_0000
size = "64 KiB"
[[keep]]
name = "calibration"
size = "2 KiB"
migrate = { before = 4, after = 6 }
[lock]
write_protect = ["boot"]
"""

PRODUCTS = {
    "awkward-banks": (BANKS, 0x0800_C000),
    "awkward-external": (EXTERNAL, 0x6002_0000),
    "awkward-rewritten": (REWRITTEN, 0x3001_0000),
}

Swaps = tuple[tuple[str, str], ...]

PORT = """[[lock_field]]
name = "port-word"
protection = "debug-lock"
role = "level"
address = 0x0BF0_0008
low = 0
bits = 8
"""
ONCE_CLOSED = """[[protection]]
kind = "write protection"
name = "words-closed"
covers = ["once"]
granule = "16 B"
lock = "until reset"
"""
SEQUENCE = (
    """unlock = [
    { address = 0x5200_0008, value = 0x0F1E_2D3C },
    { address = 0x5200_0008, value = 0x4B5A_6978 },
    { address = 0x5200_000C, value = 0x8796_A5B4 },
]
""",
    "",
)
NO_DEFAULT: Swaps = (
    ('otherwise = "first"\ndefault = "first"', 'otherwise = "none"\ndefault = "none"'),
    ('torn = ["old", "new", "default"]', 'torn = ["old", "new"]'),
)
APART: Swaps = (
    ('complement = "upper half"', 'complement = "next word"'),
    ("offset = 4\n", "offset = 16\n"),
    ("offset = 12\n", "offset = 24\n"),
)

Make = Callable[..., Path]


@pytest.fixture
def make(repository: Path, tmp_path: Path) -> Make:
    """Return a function that writes a product on one of the parts, with pieces of both files swapped."""

    def write(part: str, *, chip: Swaps = (), product: Swaps = ()) -> Path:
        folder = tmp_path / f"{part}-{len(list(tmp_path.iterdir()))}"
        folder.mkdir()
        body, base = PRODUCTS[part]
        texts = {
            f"{part}.toml": ((repository / "tests" / "fixtures" / "parts" / f"{part}.toml").read_text(), chip),
            "product.toml": (HEAD.format(number=[*PRODUCTS].index(part) + 1, part=part) + body, product),
        }
        for name, (text, swaps) in texts.items():
            for old, new in swaps:
                assert old in text
                text = text.replace(old, new)
            (folder / name).write_text(text, encoding="utf-8")
        vectors = struct.pack("<II", 0x2000_4000, base + 0x101)
        (folder / "application.bin").write_bytes(vectors + bytes(range(256)) * 40)
        return folder / "product.toml"

    return write


def planned(path: Path) -> PlanResult:
    return plan_product(load_product(path), path.parent)


def map_of(path: Path) -> Map:
    found = planned(path).plan.map
    assert found is not None, planned(path).plan.row.reason
    return found


def rules(path: Path) -> set[str]:
    return {finding.rule for finding in planned(path).findings}


def verdict(path: Path) -> tuple[bool, int, str]:
    """Return whether the product's own procedure holds, the fewest cuts where it fails, and what happens then."""
    product, plan = load_product(path), planned(path)
    (proof,) = prove_product(product, path.parent, plan, names=(product.update.procedure,), harder=False)
    return proof.steady.holds, proof.steady.cuts, proof.steady.what


# -- all of them, end to end


@pytest.mark.slow
@pytest.mark.parametrize("part", PRODUCTS)
def test_a_part_goes_through_every_stage(make: Make, part: str) -> None:
    path = make(part)
    run = CliRunner().invoke
    assert run(check, [str(path)], standalone_mode=False).return_value == 0
    shown = run(plan_command, [str(path)], standalone_mode=False)
    assert shown.return_value == 0, shown.output
    proved = run(prove_command, [str(path), "--procedure", load_product(path).update.procedure], standalone_mode=False)
    assert proved.return_value == 0, proved.output
    assert "holds, closed" in proved.output
    folder = path.parent / "out"
    released = run(release, [str(path), "--out", str(folder), "--json"], standalone_mode=False)
    assert released.return_value == 0, released.output
    assert json.loads(released.stdout)["sequence"] == 7
    files = json.loads(released.stdout)["files"]
    assert all((folder / row["name"]).stat().st_size == row["size"] for row in files)


# -- two banks


def test_the_part_with_banks_says_what_its_data_sheet_would(repository: Path) -> None:
    chip = load_chip(repository / "tests/fixtures/parts/awkward-banks.toml")
    flash = chip.memory("flash")
    assert (flash.program_unit, flash.tear_unit, flash.reprogram_unit) == (8, 32, 16)
    assert chip.memory("words").endurance < flash.endurance
    assert chip.find_place(0) == ("flash", 0)
    assert chip.find_place(0, {"start": "loader"}) is None
    assert chip.find_place(0x0800_0010, {"low-bank": "second"}) == ("flash", 16)
    assert chip.find_place(0x0C00_0010, {"low-bank": "second"}) == ("flash", 0x2_0010)
    assert len(chip.settings_areas[0].unlock) == 3


@pytest.mark.slow
@pytest.mark.parametrize(
    ("swaps", "cuts", "words"),
    [
        ((), None, ""),
        ((('torn = ["old", "new", "default"]', 'torn = ["old", "new", "locked"]'),), 1, "never comes to rest"),
        ((('otherwise = "first"\ndefault = "first"', 'otherwise = "none"\ndefault = "none"'),), 1, "neither bank"),
        ((('otherwise = "first"\ndefault = "first"', 'otherwise = "none"\ndefault = "none"'),
          ('torn = ["old", "new", "default"]', 'torn = ["old", "new"]')), None, ""),
        ((('default = "closed"', 'default = "open"'),), 1, "erases all flash"),
        ((('default = "first"', 'default = "second"'),), None, ""),
        ((('follows = "physical bank"', 'follows = "address"'),), 0, ""),
        # What the lock-down closes is closed again after a fall into the default, and that can lock the area.
        ((("[crypto]\n", PORT + "locked = 0x5A\n[crypto]\n"),), 1, "never comes to rest"),
        ((("[crypto]\n", PORT + "locked = 0x00\n[crypto]\n"),), None, ""),
        # A word and its complement in two writes: a cut between them is the default, whatever else a cut can leave.
        (NO_DEFAULT, None, ""),
        ((*NO_DEFAULT, *APART), 1, "neither bank"),
    ],
)  # fmt: skip
def test_what_the_settings_area_does_decides_the_bank_flip(
    make: Make, swaps: Swaps, cuts: int | None, words: str
) -> None:
    holds, found, what = verdict(make("awkward-banks", chip=swaps))
    assert holds == (cuts is None), what
    if cuts is not None:
        assert found == cuts
        assert words in what


@pytest.mark.parametrize(
    ("transition", "words"),
    [
        ('{ before = "first", after = "second", possible = false }', "awkward-banks refuses it"),
        ('{ before = "second", after = "first", possible = false }', "awkward-banks refuses it"),
        ('{ before = "second", after = "first", effect = "locks the area" }', "locks the settings area"),
        ('{ before = "first", after = "second", effect = "mass erase" }', "erases all flash"),
        ('{ before = "first", after = "another", possible = false }', ""),
    ],
)
def test_banks_that_cannot_flip_both_ways_are_no_place_for_a_bank_flip(make: Make, transition: str, words: str) -> None:
    changed = (('default = "first"', f'default = "first"\ntransition = [{transition}]'),)
    if not words:
        changed = (*changed, ('otherwise = "first"', 'otherwise = "another"'))
    row = planned(make("awkward-banks", chip=changed)).plan.row
    assert row.fits == (not words)
    assert words in row.reason


def test_settings_that_load_at_power_up_only_are_no_place_for_a_bank_flip(make: Make) -> None:
    row = planned(make("awkward-banks", chip=(('loaded = "reset"', 'loaded = "power-up"'),))).plan.row
    assert not row.fits
    assert "at power-up only" in row.reason


@pytest.mark.slow
def test_a_flip_that_waits_for_the_power_comes_to_nothing_at_a_reset(make: Make) -> None:
    path = make("awkward-banks")
    for loaded, holds in (("reset", True), ("power-up", False)):
        chip = load_product(make("awkward-banks", chip=(('loaded = "reset"', f'loaded = "{loaded}"'),))).chip
        ground = ground_from_map(chip, shorten_slots(map_of(path), chip), cells=1)
        verdict = check_level(BankFlip, ground, Level(1, protect=frozenset(load_product(path).protect), max_cuts=1))[0]
        assert (verdict.holds, verdict.cuts) == (holds, 0)
        assert holds or "never comes to rest" in verdict.what


def test_an_image_is_linked_for_the_view_through_which_it_runs(make: Make) -> None:
    assert "plan.link" not in rules(make("awkward-banks"))
    assert "plan.link" in rules(make("awkward-banks", product=(('view = "plain"\n', ""),)))
    released = CliRunner().invoke(
        release,
        [str(make("awkward-banks", product=(('view = "plain"\n', ""),))), "--out", "unused", "--json"],
        standalone_mode=False,
    )
    assert released.return_value == 2
    assert "linked for" in json.loads(released.stdout)["refused"]


def test_protection_takes_whole_groups(make: Make) -> None:
    assert "plan.protected-groups" not in rules(make("awkward-banks"))
    beside = make("awkward-banks", product=(("at = 0x0C00_8000", "at = 0x0C00_7000"),))
    assert "plan.protected-groups" in rules(beside)


def test_both_slots_of_a_flip_are_as_large_as_the_pinned_one(make: Make) -> None:
    found = map_of(make("awkward-banks"))
    assert found.region("run:application").size == found.region("second:application").size == 64 * 1024


def test_flips_wear_the_settings_area_out_before_the_flash(make: Make) -> None:
    assert "plan.endurance" not in rules(make("awkward-banks"))
    worn = make("awkward-banks", chip=(("endurance = 100 ", "endurance = 70 "),))
    (finding,) = [f for f in planned(worn).findings if f.rule == "plan.endurance"]
    assert "words" in finding.found
    assert "8.8 years" in finding.found  # 70 cycles, two flips an update, four updates a year
    other = make("awkward-banks", chip=(("endurance = 100 ", "endurance = 70 "),), product=(("bank-flip", "in-place"),))
    assert "plan.endurance" not in rules(other)


def test_a_record_fills_its_tear_unit(make: Make) -> None:
    product = load_product(make("awkward-banks"))
    assert needs.record_bytes(product) == 32
    torn = load_product(make("awkward-banks", chip=(('tear_unit = "32 B"', 'tear_unit = "128 B"'),)))
    assert needs.record_bytes(torn) == 128
    never = (('reprogram = "zeros-only"\nreprogram_unit = "16 B"', 'reprogram = "never"\nreprogram_unit = "48 B"'),)
    assert needs.record_bytes(load_product(make("awkward-banks", chip=never))) == 96
    blocks = {b.name: b for b in planned(make("awkward-banks")).plan.demand.blocks}
    assert blocks["journal"].min_size == 64


# -- external flash


def test_the_external_part_says_what_its_data_sheet_would(repository: Path) -> None:
    chip = load_chip(repository / "tests/fixtures/parts/awkward-external.toml")
    external, once = chip.memory("external"), chip.memory("once")
    assert [erase.size for erase in external.erases] == [4096, 32768, 65536]
    assert (external.page, external.torn_program, external.ecc_error) == (256, TornProgram.ANY_BYTES, EccError.NONE)
    assert (once.lock_unit, once.read_limit, once.torn_bits_settle) == (16, 1_000_000, False)
    assert once.reprogram is Reprogram.BITS
    assert chip.find_place(0x7000_0100) == ("external", 0x100)


def test_the_floor_lies_in_one_time_words_with_room_for_every_rise(make: Make) -> None:
    path = make("awkward-external")
    region = map_of(path).region("floor")
    assert (region.memory, region.used) == ("once", 5)  # 40 rises, one bit each
    words = make("awkward-external", chip=(('reprogram = "bits"\nerased = 0x00', "erased = 0x00"),))
    assert map_of(words).region("floor").used == 160  # 40 rises, one word each
    many = (('life = "10 years"', 'life = "50 years"'), ("updates_per_year = 4", "updates_per_year = 12"))
    short = planned(
        make("awkward-external", chip=(('reprogram = "bits"\nerased = 0x00', "erased = 0x00"),), product=many)
    )
    assert short.plan.map is None
    assert "floor" in short.plan.row.reason


def test_words_that_can_be_read_so_often_limit_the_starts(make: Make) -> None:
    path = make("awkward-external")
    (note,) = [f for f in planned(path).findings if f.rule == "plan.read-limit"]
    assert note.note
    assert "273.8 starts a day for 10 years" in note.found
    (broken,) = [
        f
        for f in planned(make("awkward-external", chip=(("read_limit = 1_000_000", "read_limit = 3_000"),))).findings
        if f.rule == "plan.read-limit"
    ]
    assert not broken.note
    none = make("awkward-external", chip=(("read_limit = 1_000_000\n", ""),))
    assert "plan.read-limit" not in rules(none)


def test_an_application_can_read_words_until_they_are_lost(make: Make) -> None:
    attacked = (
        '[[keep]]\nname = "calibration"',
        '[attackers]\nin_scope = ["exploited application"]\n[[keep]]\nname = "calibration"',
    )
    notes = [f for f in planned(make("awkward-external", product=(attacked,))).findings if f.rule == "plan.read-limit"]
    assert ["in a loop" in note.found for note in notes] == [False, True]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("chip", "protect", "words"),
    [
        ((), "", "dead device"),  # bits of a one-time word only rise: beyond the version that is there
        ((("[crypto]\n", ONCE_CLOSED + "[crypto]\n"),), ', "floor"', ""),
        ((("[crypto]\n", ONCE_CLOSED + "[crypto]\n"),), "", "dead device"),
    ],
)
def test_a_floor_in_words_is_as_good_as_what_closes_them(make: Make, chip: Swaps, protect: str, words: str) -> None:
    product = (
        (
            '"run:application", "journal"]',
            f'"run:application", "journal"{protect}]\n[attackers]\nin_scope = ["exploited application"]',
        ),
    )
    holds, cuts, what = verdict(make("awkward-external", chip=chip, product=product))
    assert (holds, cuts) == (not words, 0), what
    assert words in what


@pytest.mark.slow
@pytest.mark.parametrize(("part", "kind"), [("awkward-rewritten", "fault"), ("awkward-banks", "nmi")])
@pytest.mark.parametrize("swapped", ["flag", "none", "fault", "nmi"])
def test_a_torn_record_stops_a_reader_that_catches_nothing(make: Make, part: str, kind: str, swapped: str) -> None:
    path = make(part, chip=((f'ecc_error = "{kind}"', f'ecc_error = "{swapped}"'),))
    ground = ground_from_map(load_product(path).chip, map_of(path), cells=1)
    stops = swapped in ("fault", "nmi")
    assert ("journal" in ground.coded) == stops

    class Uncaught(BankFlip if part == "awkward-banks" else Exchange):  # type: ignore[misc]
        catches_faults = False

    verdict = check_level(Uncaught, ground, Level(1, protect=frozenset(load_product(path).protect), max_cuts=1))[0]
    assert (verdict.holds, verdict.cuts) == (not stops, 1 if stops else 0), verdict.what
    assert verdict.level.reads == ("reset" if stops else "")


def test_a_floor_in_flash_can_be_lowered_instead(make: Make) -> None:
    product = (
        ('floor = "once"\n', ""),
        (
            '"run:application", "journal"]',
            '"run:application", "journal"]\n[attackers]\nin_scope = ["exploited application"]',
        ),
    )
    assert verdict(make("awkward-external", product=product)) == (False, 0, "a version below the floor runs")


def pin(block: str, at: str) -> str:
    return f'[[pin]]\nblock = "{block}"\nmemory = "once"\nat = {at}\n'


@pytest.mark.parametrize(
    ("unit", "fits"),
    [("16 B", False), ("8 B", True)],
)
def test_what_must_be_locked_shares_no_lock_unit_with_the_floor(make: Make, unit: str, fits: bool) -> None:
    """The floor's words must stay open for its rises; keys in the same lock unit could not be closed."""
    path = make(
        "awkward-external",
        chip=(
            ('{ count = 32, size = "16 B" }', '{ count = 256, size = "8 B" }'),
            ('lock_unit = "16 B"', f'lock_unit = "{unit}"'),
        ),
        product=(
            ('"run:application", "journal"]', '"run:application", "journal", "keys"]'),
            ("[[keep]]\n", f"{pin('floor', '0x0078_0000')}{pin('keys', '0x0078_0008')}[[keep]]\n"),
        ),
    )
    row = planned(path).plan.row
    assert row.fits == fits, row.reason
    assert fits or "both touch one write-protection unit of 16 bytes" in row.reason
    if fits:
        plan = lock_down(load_product(path), planned(path))
        (cover,) = [cover for cover in plan.covers if cover.memory == "once"]
        assert (cover.protection, cover.blocks, cover.lock) == ("once-locks", ("keys",), Lock.PERMANENT)


@pytest.mark.slow
def test_words_that_are_locked_before_their_time_end_the_rises(make: Make) -> None:
    path = make("awkward-external")
    ground = ground_from_map(load_product(path).chip, map_of(path), cells=1)
    assert (ground.once, ground.locks) == ({"floor"}, (("floor", True),))

    class LocksAtStart(CopyOver):
        def boot(self, port: Port) -> Outcome:
            outcome = super().boot(port)
            port.log("floor").lock()
            return outcome

    protect = frozenset(load_product(path).protect)
    verdict = check_level(LocksAtStart, ground, Level(1, protect=protect))[0]
    assert (verdict.holds, verdict.cuts, verdict.what) == (False, 0, "a version below the floor runs")
    words = (('reprogram = "bits"\nerased = 0x00\nlock_unit = "16 B"', 'erased = 0x00\nlock_unit = "4 B"'),)
    path = make("awkward-external", chip=words)
    ground = ground_from_map(load_product(path).chip, map_of(path), cells=1)
    assert ground.locks == (("floor", False),)  # a lock for each rise
    assert check_level(LocksAtStart, ground, Level(1, protect=protect))[0].holds


def test_no_record_lies_across_a_page(make: Make) -> None:
    product = load_product(make("awkward-external"))

    def in_pages(unit: int, page: int) -> int:
        memories = tuple(
            replace(memory, tear_unit=unit, page=page, reprogram=Reprogram.BITS) if memory.name == "flash" else memory
            for memory in product.chip.memories
        )
        return needs.record_bytes(replace(product, chip=replace(product.chip, memories=memories)))

    assert in_pages(4, 256) == 32
    assert in_pages(12, 256) == 768  # 36 bytes would lie across the first page's end
    assert in_pages(24, 96) == 48
    assert in_pages(512, 256) == 512  # whole pages


def test_code_behind_a_stale_cache_is_a_note(make: Make) -> None:
    path = make("awkward-external")
    (note,) = [f for f in planned(path).findings if f.rule == "plan.stale-reads"]
    assert note.note
    assert "through external" in note.found
    assert "plan.stale-reads" not in rules(make("awkward-external", chip=(("cached = true\n", ""),)))


@pytest.mark.slow
def test_a_large_erase_command_takes_all_that_it_covers(make: Make) -> None:
    """Staging erased by 64 KiB holds; a run slot erased so while it is copied by 4 KiB never gets whole."""
    path = make("awkward-external")
    ground = ground_from_map(load_product(path).chip, map_of(path), cells=1)
    run, stage = ground.area("run"), ground.area("stage")
    assert ground.find_commands(run[0]) == (32768, 65536)
    assert ground.covered_from("stage", stage[0]) == (65536, 16)
    assert len(ground.covered(run[3], 65536)) == 16

    class ByCommand(CopyOver):
        def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
            following = receive_by_command(port, self.ground, "stage", offer, index)
            if following < len(self.ground.area("stage")):
                return Again(("receive", offer, following))
            port.log("requests").append(REQUEST)
            return Again(POWER_UP)

    class TooMuch(CopyOver):
        def copy(self, port: Port, index: int) -> Outcome:
            port.erase(self.ground.chunks[index].run[0], command=65536)
            return super().copy(port, index)

    protect = frozenset(load_product(path).protect)
    assert check_level(ByCommand, ground, Level(1, protect=protect))[0].holds
    verdict = check_level(TooMuch, ground, Level(1, protect=protect))[0]
    assert (verdict.holds, verdict.cuts) == (False, 0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("reprogram", "enough"),
    [
        ('"never"', False),
        ('"times"\nreprogram_times = 1', False),
        ('"times"\nreprogram_times = 2', True),
        ('"zeros-only"', True),
        ('"bits"', True),
    ],
)
def test_a_flag_that_is_struck_out_needs_a_second_program(
    make: Make, repository: Path, reprogram: str, enough: bool
) -> None:
    path = make(
        "awkward-external",
        chip=(('reprogram = "never"\nreprogram_unit = "16 B"', f'reprogram = {reprogram}\nreprogram_unit = "16 B"'),),
        product=(('"copy-over"', '"strikes_out:StrikesOut"'),),
    )
    source = repository / "tests" / "fixtures" / "procedures" / "strikes_out.py"
    (path.parent / "strikes_out.py").write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    assert ("plan.reprogram" in rules(path)) == (not enough)
    holds, cuts, what = verdict(path)
    assert (holds, cuts) == (enough, 0)
    assert enough or "never comes to rest" in what


@pytest.mark.slow
@pytest.mark.parametrize(("times", "enough"), [("2 ", True), ("1 ", False)])
def test_a_flag_in_the_memory_that_takes_two_programs(make: Make, repository: Path, times: str, enough: bool) -> None:
    path = make(
        "awkward-rewritten",
        chip=(("reprogram_times = 2 ", f"reprogram_times = {times}"),),
        product=(('"exchange-rotating"', '"strikes_out:StrikesOut"'),
                 ("[[keep]]\n", '[[pin]]\nblock = "lift"\nmemory = "log"\n[[keep]]\n')),
    )  # fmt: skip
    source = repository / "tests" / "fixtures" / "procedures" / "strikes_out.py"
    (path.parent / "strikes_out.py").write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    assert map_of(path).region("lift").memory == "log"
    assert ("plan.reprogram" in rules(path)) == (not enough)
    assert verdict(path)[:2] == (enough, 0)


@pytest.mark.slow
def test_a_cut_leaves_all_that_a_command_covers_weak(make: Make) -> None:
    """A slot erased by 32 KiB, in eight sectors: after a cut the one that was asked for is not the only weak one."""
    path = make("awkward-external")
    chip = load_product(path).chip
    ground = ground_from_map(chip, shorten_slots(map_of(path), chip, sectors=8), cells=1)
    run, stage = ground.area("run"), ground.area("stage")
    assert ground.covered_from("run", run[0]) == (32768, 8)

    class ByCommand(CopyOver):
        def copy(self, port: Port, index: int) -> Outcome:
            self.erase(port)
            for sector, source in zip(run, stage, strict=True):
                port.program(sector, 0, port.read(source, 0))
            port.invalidate()
            return self.finish(port)

        def erase(self, port: Port) -> None:
            port.erase(run[0], command=32768)

    class FirstAgain(ByCommand):
        def erase(self, port: Port) -> None:
            beside_blank = all(port.is_blank(sector) for sector in run[1:])
            port.erase(run[0], command=4096 if beside_blank else 32768)

    protect = frozenset(load_product(path).protect)
    assert check_level(ByCommand, ground, Level(1, protect=protect))[0].holds
    verdict = check_level(FirstAgain, ground, Level(1, protect=protect))[0]
    assert (verdict.holds, verdict.cuts) == (False, 1)
    assert "weak" in verdict.what
    assert any("erase 8 sectors" in happening.text for happening in verdict.story)


def test_flash_that_erases_to_zeros_is_filled_with_zeros(make: Make) -> None:
    path = make("awkward-external")
    ground = ground_from_map(load_product(path).chip, map_of(path), cells=1)
    values = {sector.memory: erased_value(sector) for sector in ground.sectors}
    assert values == {"flash": 0x00, "external": 0xFF}
    assert ground.unsettled == {"floor"}
    assert {sector.memory for sector in ground.sectors if sector.cached} == {"external"}


# -- written without erase


def test_nothing_is_weak_where_nothing_is_erased(make: Make) -> None:
    path = make("awkward-rewritten")
    chip = load_product(path).chip
    ground = ground_from_map(chip, map_of(path), cells=1)
    assert {sector.erased for sector in ground.sectors} == {None}
    assert ground.settings is None  # this part's settings map no bank


GATED: Swaps = (
    ('"exchange-rotating"', '"in-place"'),
    ('write_protect = ["boot"]', 'write_protect = ["boot", "keys", "floor", "journal"]'),
    ("[lock]\n", '[attackers]\nin_scope = ["exploited application"]\n[lock]\n'),
)
OTHER_SIDE = ('base = 0x3001_0000\nview = "other-side"\n', "base = 0x2001_0000\n")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("chip", "product", "missing"),
    [
        ((), (), ""),
        ((), (OTHER_SIDE,), "runs on the non-secure side"),
        ((('side = "non-secure"\n', ""),), (), "runs on the non-secure side"),
    ],
)
def test_a_bus_gate_closes_what_the_other_side_must_not_write(
    make: Make, chip: Swaps, product: Swaps, missing: str
) -> None:
    path = make("awkward-rewritten", chip=chip, product=(*GATED, *product))
    if product:
        (path.parent / "application.bin").write_bytes(struct.pack("<II", 0x2000_4000, 0x2001_0101) + bytes(10_000))
    loaded, plan = load_product(path), planned(path)
    lockdown = lock_down(loaded, plan)
    gated = {block for cover in lockdown.covers if cover.kind is ProtectionKind.BUS_GATE for block in cover.blocks}
    assert gated == (set() if missing else {"boot", "keys", "floor", "journal"})
    assert [missing in conflict.found for conflict in lockdown.conflicts if conflict.rule == "lockdown.gate"] == (
        [True] if missing else []
    )
    holds, cuts, _ = verdict(path)
    assert (holds, cuts) == (not missing, 0)


@pytest.mark.parametrize(
    "gate",
    [("fixed_attribution = true\n", ""), ('lock = "until reset"\nnote = "one gate', 'note = "one gate')],
)
def test_a_gate_that_can_be_opened_again_is_no_place_for_the_boot_stage(make: Make, gate: tuple[str, str]) -> None:
    assert planned(make("awkward-rewritten", product=GATED)).plan.row.fits
    row = planned(make("awkward-rewritten", chip=(gate,), product=GATED)).plan.row
    assert not row.fits
    assert "no write protection covers cells" in row.reason


@pytest.mark.slow
@pytest.mark.parametrize(
    ("gate", "missing"),
    [
        (("fixed_attribution = true\n", ""), "not fixed"),
        (('lock = "until reset"\nnote = "one gate', 'note = "one gate'), "no lock"),
    ],
)
def test_a_gate_beside_too_few_regions_counts_only_where_it_holds(
    make: Make, gate: tuple[str, str], missing: str
) -> None:
    """One region of write protection covers the boot stage; the other blocks are left to the gate."""
    region = ("[crypto]\n", '[[protection]]\nkind = "write protection"\ncovers = ["cells"]\ngranule = "8 KiB"\n'
              'regions = 1\nlock = "until reset"\n[crypto]\n')  # fmt: skip
    floor = ("[[keep]]\n", '[[pin]]\nblock = "floor"\nat = 0x2006_0000\n[[keep]]\n')
    for chip, holds in (((region,), True), ((region, gate), False)):
        path = make("awkward-rewritten", chip=chip, product=(*GATED, floor))
        notes = [c.found for c in lock_down(load_product(path), planned(path)).conflicts if c.rule == "lockdown.gate"]
        assert [missing in note for note in notes] == ([] if holds else [True])
        assert verdict(path)[0] == holds


@pytest.mark.parametrize(("granule", "at"), [("8 KiB", 0x2001_0000), ("4 KiB", 0x2001_0000), ("64 KiB", 0)])
def test_blocks_lie_on_the_granules_of_the_gate_that_closes_them(make: Make, granule: str, at: int) -> None:
    path = make("awkward-rewritten", chip=(('granule = "8 KiB"', f'granule = "{granule}"'),), product=GATED)
    row = planned(path).plan.row
    if not at:
        assert not row.fits  # boot, keys, floor and journal would take four blocks of 64 KiB beside the slot
        return
    unit = 1024 * int(granule.split()[0])
    closed = [r for r in map_of(path).regions if r.block in ("boot", "floor", "journal")]
    assert all(region.address % unit == region.size % unit == 0 for region in closed)
    keys = map_of(path).region("keys")
    around = (keys.address // unit * unit, -(-keys.end // unit) * unit)
    beside = [r.block for r in map_of(path).regions if r.address < around[1] and around[0] < r.end]
    assert set(beside) <= {"boot", "keys", "floor", "journal"}


@pytest.mark.parametrize(
    ("watermark", "at", "closed"),
    [
        ("none", "0x2000_8000", True),
        ("up to it", "0x2000_8000", True),
        ("from it on", "0x2000_8000", False),
        ("from it on", "0x2007_0000", False),
    ],
)
def test_a_watermark_closes_one_end_of_a_memory(make: Make, watermark: str, at: str, closed: bool) -> None:
    """The boot stage lies at the memory's beginning: what closes from there on closes everything."""
    path = make(
        "awkward-rewritten",
        chip=(('granule = "8 KiB"', f'granule = "8 KiB"\nwatermark = "{watermark}"'),),
        product=(*GATED, ('"keys", "floor", "journal"]', '"journal"]'),
                 ("[[keep]]\n", f'[[pin]]\nblock = "journal"\nat = {at}\n[[keep]]\n')),
    )  # fmt: skip
    plan = lock_down(load_product(path), planned(path))
    gated = {block for cover in plan.covers if cover.kind is ProtectionKind.BUS_GATE for block in cover.blocks}
    assert ("boot" in gated) == closed
    assert ("journal" in gated) == (closed or at == "0x2007_0000")
    if "journal" in gated and not closed:
        (cover,) = [cover for cover in plan.covers if cover.kind is ProtectionKind.BUS_GATE]
        assert (cover.address, cover.end) == (0x2007_0000, 0x2008_0000)


def test_the_field_of_a_life_cycle_goes_one_way(repository: Path) -> None:
    chip = load_chip(repository / "tests/fixtures/parts/awkward-rewritten.toml")
    (area,) = chip.settings_areas
    (life,) = area.fields
    assert Torn.LOCKED in area.torn
    assert not life.find_transition("in the field", "open").possible
    assert life.meaning(0xF) == "in the field"


@pytest.mark.slow
def test_a_memory_without_erase_forgives_what_others_do_not(make: Make) -> None:
    """The same map and the same broken procedure, with and without an erase that a cut can tear."""
    from rootwright.prove.broken import NoNoteBeforeErase

    path = make("awkward-rewritten", product=(('"exchange-rotating"', '"in-place"'),))
    product = load_product(path)
    map_ = replace(map_of(path))
    ground = ground_from_map(product.chip, map_, cells=1)
    small: Ground = replace(
        ground,
        sectors=(replace(ground.sectors[0], cells=1), *ground.sectors[1:]),
        areas=(("run", 0, 1),),
        chunks=ground.chunks[:1],
        keep=(0, 0),
    )
    erased = replace(small, sectors=tuple(replace(sector, erased=0xFF) for sector in small.sectors))
    assert check_level(NoNoteBeforeErase, small, Level(1))[0].holds
    assert not check_level(NoNoteBeforeErase, erased, Level(1))[0].holds


# -- what each line of docs/parts.md comes to on these parts


def test_the_core_starts_where_the_mirror_leads(make: Make) -> None:
    boot = map_of(make("awkward-banks")).region("boot")
    assert boot.address == 0x0C00_0000
    moved = (("reset_address = 0x0000_0000 ", "reset_address = 0x0001_C000 "),)
    assert map_of(make("awkward-banks", chip=moved)).region("boot").address == 0x0C01_C000


def test_the_maximum_time_counts(make: Make) -> None:
    slow = (('{ size = "4 KiB", typ = "40 ms", max = "300 ms" }', '{ size = "4 KiB", typ = "40 ms", max = "1.1 s" }'),)
    same = planned(make("awkward-external", chip=(('typ = "40 ms"', 'typ = "90 ms"'),))).plan.row
    plain, slower = (planned(make("awkward-external", chip=chip)).plan.row for chip in ((), slow))
    assert plain.longest_operation_s == same.longest_operation_s == pytest.approx(0.3)
    assert slower.longest_operation_s == pytest.approx(1.1)


def test_nothing_takes_time_to_erase_where_nothing_is_erased(make: Make) -> None:
    path = make("awkward-rewritten")
    row = planned(path).plan.row
    assert row.fits
    assert row.longest_operation_s < 0.001  # a program, where the shortest erase of the others takes 20 ms


def test_what_fills_a_slot_is_what_an_erase_leaves(make: Make) -> None:
    found = {
        (part, memory.name): erased_byte(memory)
        for part in PRODUCTS
        for memory in load_product(make(part)).chip.memories
        if memory.kind is MemoryKind.FLASH and memory.executable
    }
    assert found == {
        ("awkward-banks", "flash"): 0xFF,
        ("awkward-external", "flash"): 0,
        ("awkward-rewritten", "cells"): 0xFF,
    }


def test_fill_is_checked_only_where_blank_cells_can_be_read(make: Make) -> None:
    chips = {part: load_product(make(part)).chip for part in PRODUCTS}
    assert not is_fill_readable(chips["awkward-banks"].memory("flash"))  # blank cells read as anything
    assert is_fill_readable(chips["awkward-external"].memory("external"))
    assert is_fill_readable(chips["awkward-rewritten"].memory("cells"))


@pytest.mark.slow
def test_a_floor_that_never_settles_must_be_written_again(make: Make) -> None:
    from test_memories import FloorNotWrittenAgain

    for chip, holds in (((), False), ((("torn_bits_settle = false\n", ""),), True)):
        path = make("awkward-external", chip=chip)
        ground = ground_from_map(load_product(path).chip, map_of(path), cells=1)
        level = Level(1, protect=frozenset(load_product(path).protect))
        assert check_level(FloorNotWrittenAgain, ground, level)[0].holds == holds


@pytest.mark.slow
def test_code_behind_a_stale_cache_must_be_invalidated(make: Make) -> None:
    from test_memories import never_invalidates

    for chip, holds in (((), False), ((("cached = true\n", ""),), True)):
        path = make("awkward-external", chip=chip)
        found = load_product(path).chip
        ground = ground_from_map(found, shorten_slots(map_of(path), found), cells=1)
        verdict = check_level(
            never_invalidates(CopyOver), ground, Level(1, protect=frozenset(load_product(path).protect))
        )
        assert verdict[0].holds == holds


@pytest.mark.slow
@pytest.mark.parametrize(
    ("order", "holds"), [((0, 1, 2), True), ((0, 2, 1), False), ((0, 1), False), ((0, 1, 2, 0), False)]
)
def test_the_unlock_sequence_is_written_in_its_order(make: Make, order: tuple[int, ...], holds: bool) -> None:
    from test_settings_torn import UnlocksItself

    class Unlocks(UnlocksItself):
        pass

    Unlocks.order = order
    for chip, opens in (((), holds), ((SEQUENCE,), True)):
        path = make("awkward-banks", chip=chip)
        found = load_product(path).chip
        ground = ground_from_map(found, shorten_slots(map_of(path), found), cells=1)
        level = Level(1, protect=frozenset(load_product(path).protect), max_cuts=1)
        assert check_level(Unlocks, ground, level)[0].holds == opens


@pytest.mark.slow
def test_protection_that_the_settings_hold_falls_with_them(make: Make) -> None:
    for chip, holds in (((), False), ((('held_in = "words"\n', ""),), True)):
        path = make("awkward-banks", chip=chip)
        found = load_product(path).chip
        ground = ground_from_map(found, shorten_slots(map_of(path), found), cells=1)
        attackers, protect = frozenset({Attacker.EXPLOITED_APPLICATION}), frozenset(load_product(path).protect)
        verdict = check_level(BankBelieved, ground, Level(1, False, attackers, protect, 1))[0]
        assert (verdict.holds, verdict.cuts) == (holds, 0 if holds else 1)


def test_a_mask_of_groups_is_written_active_low_with_its_complement(make: Make) -> None:
    """The boot stage, its copy, journal and slots lie in groups 0 to 7 and 8 to 15 of 16 KiB; a 0 protects."""
    field = """[[lock_field]]
name = "groups"
protection = "write-protection"
role = "mask"
address = 0x0BF0_000C
low = 0
bits = 16
active_low = true
"""
    path = make("awkward-banks", chip=(("[crypto]\n", field + "[crypto]\n"),))
    product, plan = load_product(path), planned(path)
    (value,) = [setting for setting in lock_down(product, plan).settings if setting.field == "groups"]
    edges = range(0x0C00_0000, 0x0C04_0000, 0x4000)
    closed = {b for cover in lock_down(product, plan).covers if cover.moment is Moment.START for b in cover.blocks}
    regions = [region for region in map_of(path).regions if region.block in closed]
    bits = sum(1 << n for n, low in enumerate(edges) if any(r.address < low + 0x4000 and low < r.end for r in regions))
    assert bits
    assert value.value == 0xFFFF & ~bits
    assert "its complement at 0x0BF0000C, mask 0xFFFF0000" in value.says


def test_a_lock_that_falls_at_reset_is_a_duty_of_the_boot_stage(make: Make) -> None:
    def cautions(chip: Swaps) -> bool:
        path = make("awkward-external", chip=chip)
        return any("must set it before" in caution for caution in lock_down(load_product(path), planned(path)).cautions)

    assert cautions(())
    assert not cautions((('regions = 4\nlock = "until reset"', 'regions = 4\nlock = "permanent"'),))


def test_the_three_parts_are_the_ones_in_the_folder(repository: Path) -> None:
    folder = repository / "tests" / "fixtures" / "parts"
    assert {path.stem for path in folder.glob("*.toml")} == set(PRODUCTS)
    assert (folder / "ORIGIN.md").is_file()
