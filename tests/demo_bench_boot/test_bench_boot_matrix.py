"""Every variant of the bench boot stage under the kind of trial that must find its flaw; sound builds under the same.

Flaws that a golden run shows, and the handler that returns, are in test_bench_boot_on_bench.py. The closure (any number
of cuts, over what the program reads) and the exploration of whole flash contents (one cut) were written apart; here one
is held against the other.
"""

from __future__ import annotations

from itertools import count

import pytest
from bench_boot_host import BENCH_BOOT, VARIANTS

from rootwright.bench.campaign import Mode, golden_for, make_plan
from rootwright.bench.closure.verdict import ClosureResult, try_cuts
from rootwright.bench.cuts import explore
from rootwright.bench.faults import Model
from rootwright.bench.hostile import offer_all
from rootwright.bench.pool import run_campaign
from rootwright.bench.subject import Start, Subject
from rootwright.describe.loading import load_product

pytest.importorskip("unicorn")
pytestmark = pytest.mark.slow

# Build: what one power cut during an installation comes to: in whole flash contents; in the closure, with the source
# file of the last cut, "" where no cut is needed.
CUT = {
    "arm-flaw-blank-trusted.elf": ("unapproved code ran", "unapproved code ran", "move.c"),
    "arm-flaw-debug-open.elf": ("key read", "key read", "move.c"),
    "arm-flaw-floor-in-place.elf": ("floor lowered", "floor lowered", "log.c"),
    "arm-flaw-floor-raised-last.elf": ("floor not raised", "floor lowered", "log.c"),
    "arm-flaw-noted-before-done.elf": ("no image left", "no image left", "log.c"),
    "arm-flaw-one-sector-log.elf": ("floor lowered", "no image left", "log.c"),
    "arm-flaw-reads-unguarded.elf": ("no image left", "no image left", "flash_controller.c"),
    "arm-flaw-request-closed-first.elf": ("no image left", "no image left", "move.c"),
    "arm-flaw-sequence-wraps.elf": ("no image left", "no image left", ""),
    "arm-flaw-torn-record-trusted.elf": ("no image left", "trial not returned", "log.c"),
}
SOUND = sorted(file for file, variant in VARIANTS.items() if "flaw" not in variant)


def subject_of(file: str) -> Subject:
    variant = VARIANTS[file]
    name = "exchange" if variant["install"] == "exchange" else "product"
    name = "controller" if variant["flash"] == "controller" else name
    if variant["part"] == "rv32":
        name = "rv32" if name == "product" else f"rv32-{name}"
    return Subject(load_product(BENCH_BOOT / f"{name}.toml"), BENCH_BOOT, boot=BENCH_BOOT / "built" / file)


def start_of(subject: Subject, run: str) -> Start:
    return next(start for start in subject.starts() if start.run.name == run and not start.cold)


@pytest.mark.parametrize("file", SOUND)
def test_sound_build_holds_under_any_one_cut(file: str) -> None:
    subject = subject_of(file)
    result = explore(subject, start_of(subject, "install"))
    assert result.holds, result.text()
    assert result.states > 700


@pytest.mark.parametrize("file", SOUND)
def test_sound_build_closes_under_any_number_of_cuts(file: str) -> None:
    subject = subject_of(file)
    result = try_cuts(subject, start_of(subject, "install"))
    assert isinstance(result, ClosureResult)
    assert result.closed, result.text()
    assert result.explored.acts
    assert result.explored.twins > 100
    assert result.explored.in_place == []


@pytest.mark.parametrize("file", sorted(CUT))
def test_cuts_find_the_flaw_and_both_explorations_agree_on_how_many_it_takes(file: str) -> None:
    subject = subject_of(file)
    start = start_of(subject, "install")
    contents, closure, place = CUT[file]
    bounded = explore(subject, start)
    assert contents in {finding.verdict for finding in bounded.findings}
    result = try_cuts(subject, start)
    assert isinstance(result, ClosureResult)
    broken = result.explored.broken
    assert broken is not None, result.text()
    assert broken.verdict == closure
    assert broken.place.split(":")[0].endswith(place) if place else broken.place == "no cut at all"
    fewest = min(sum("power cut" in cut.where for cut in finding.path) for finding in bounded.findings)
    assert broken.cuts == fewest == sum("power cut" in event.what for event in broken.path)


@pytest.mark.parametrize(
    ("file", "verdict", "event"),
    [
        ("arm-flaw-no-trial.elf", "trial not returned", "a newer genuine update"),
        ("arm-flaw-checked-before-copy.elf", "floor lowered", "an older genuine update"),
    ],
)
def test_what_happens_between_starts_finds_the_flaw_without_a_cut(file: str, verdict: str, event: str) -> None:
    subject = subject_of(file)
    result = try_cuts(subject, start_of(subject, "authentic"), depth=0)
    assert isinstance(result, ClosureResult)
    broken = result.explored.broken
    assert broken is not None, result.text()
    assert (broken.verdict, broken.cuts) == (verdict, 0)
    assert any(event in happening.what for happening in broken.path)


@pytest.mark.parametrize(
    ("file", "verdict"),
    [
        ("arm-flaw-length-unchecked.elf", "parser fault"),
        ("arm-flaw-result-unset.elf", "unapproved code ran"),
        ("arm-copy-plain.elf", None),
        ("rv32-copy-plain.elf", None),
    ],
)
def test_hostile_updates_find_the_flaw(file: str, verdict: str | None) -> None:
    ticks = count()
    result = offer_all(subject_of(file), seconds=2400, clock=lambda: float(next(ticks)))
    found = {finding.verdict for finding in result.findings}
    assert verdict in found if verdict else not found


@pytest.mark.parametrize(("file", "found"), [("arm-flaw-early-out.elf", True), ("arm-copy-hardened.elf", False)])
def test_one_skipped_instruction_ends_the_comparison_as_good(file: str, found: bool) -> None:
    subject = subject_of(file)
    golden = golden_for(subject, start_of(subject, "tampered-installed"), Mode.HOOKED)
    (tally,) = run_campaign(subject, [golden], [make_plan(golden, [Model.SKIP], Mode.HOOKED)])
    assert any(subject.firmware.function(hit.pc) == "digests_agree" for hit in tally.hits) is found
