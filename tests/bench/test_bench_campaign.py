"""Golden runs, faults and campaigns on the demo's boot programs; each shortcut against the long way round."""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import re
import signal
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote

import jsonschema
import pytest

from rootwright.bench import ahead, campaign, effects, liveness, pool
from rootwright.bench.campaign import Mode, Walker, golden_for, make_plan, run_part
from rootwright.bench.effects import Effect
from rootwright.bench.ends import End
from rootwright.bench.faults import Fault, Model
from rootwright.bench.firmware import Firmware
from rootwright.bench.golden import Golden, begin, probe, run_golden
from rootwright.bench.judge import FINDINGS, Verdict, judge
from rootwright.bench.page import write_page
from rootwright.bench.replay import replay
from rootwright.bench.report import BenchReport
from rootwright.bench.subject import Start, Subject
from rootwright.errors import BenchError

pytestmark = pytest.mark.slow

PRODUCTS = ("product", "controller", "exchange", "rv32", "rv32-controller")


def start_of(subject: Subject, name: str) -> Start:
    return next(s for s in subject.starts() if s.run.name == name)


@pytest.mark.parametrize("product", PRODUCTS)
def test_every_golden_run_of_the_demo_is_golden(product: str, subject_of: Callable[..., Subject]) -> None:
    subject = subject_of(product)
    for start in subject.starts():
        golden = run_golden(subject, start)
        assert golden.fails == "", (start.name, golden.fails)
        assert len(golden.pcs) > 5_000


@pytest.mark.parametrize("product", ["product", "rv32"])
def test_hooks_change_nothing_that_counts(product: str, subject_of: Callable[..., Subject]) -> None:
    """With and without hooked digests and signatures: the same end, the same flash, the same operations."""
    subject = subject_of(product)
    start = start_of(subject, "install")
    hooked, bare = run_golden(subject, start), run_golden(subject, start, hooked=False)
    assert hooked.after == bare.after
    assert (hooked.end.kind, hooked.end.at) == (bare.end.kind, bare.end.at)
    assert [(o.kind, o.address, o.data) for o in hooked.operations] == [
        (o.kind, o.address, o.data) for o in bare.operations
    ]
    assert len(bare.pcs) > len(hooked.pcs)


def alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every tail run to its end, on a board that counts each instruction."""
    real = Subject.board
    monkeypatch.setattr(Subject, "board", lambda self, **options: real(self, **{**options, "quick": False}))
    monkeypatch.setattr(campaign, "_walker_for", lambda s, g, hooked, first: Walker(s, g, hooked=hooked))


@pytest.mark.parametrize(
    ("product", "boot", "run", "parts"),
    [
        ("product", None, "install", ((0, 8), (-60, 0))),
        ("product", "arm-copy-hardened.elf", "tampered-installed", ((4000, 4012), (-30, 0))),
        ("product", "arm-flaw-handler-returns.elf", "authentic", ((0, 4),)),
        ("exchange", None, "install", ((30_000, 30_004), (-30, 0))),
        ("controller", None, "install", ((-40, 0),)),
        ("rv32", None, "install", ((2000, 2008), (-60, 0))),
    ],
)
def test_looking_ahead_changes_no_outcome(
    product: str,
    boot: str | None,
    run: str,
    parts: tuple[tuple[int, int], ...],
    subject_of: Callable[..., Subject],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    subject = subject_of(product, boot)
    golden = golden_for(subject, start_of(subject, run), Mode.HOOKED)
    plan = make_plan(golden, list(Model), Mode.HOOKED, pairs=50)
    length = len(golden.pcs)
    spans = [(first % length, end % length or length) for first, end in parts]
    monkeypatch.setattr(ahead, "WORTH", 1)  # so that other ways than the golden one are learned too
    campaign._walking.clear()
    quick = [run_part(subject, golden, plan, first, end) for first, end in spans]
    assert not campaign._walking[0][2].ahead.whole  # type: ignore[union-attr]
    alone(monkeypatch)
    slow = [run_part(subject, golden, plan, first, end) for first, end in spans]
    for one, other in zip(quick, slow, strict=True):
        assert one.counts == other.counts
        assert one.hits == other.hits
        assert one.by_place == other.by_place
    assert sum(tally.runs for tally in quick) > 100


@pytest.mark.parametrize("product", PRODUCTS)
def test_what_is_dead_can_be_told_for_every_golden_run_of_the_demo(
    product: str, subject_of: Callable[..., Subject]
) -> None:
    """`Ahead` changes all that it takes for dead at each station and looks whether the next one is met."""
    subject = subject_of(product)
    for start in subject.starts()[::2]:
        golden = golden_for(subject, start, Mode.HOOKED)
        walker = Walker(subject, golden, hooked=True, ahead=True)
        assert walker.ahead is not None
        assert not walker.ahead.whole, start.name
        assert walker.ahead.states.count > 10


@pytest.mark.parametrize(
    ("product", "change"), [("product", "registers"), ("rv32", "registers"), ("product", "memory")]
)
def test_a_wrong_word_on_what_is_read_is_noticed(
    product: str, change: str, subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = liveness.effect_of

    def wrong(firmware: Firmware, address: int, in_block: bool) -> Effect:
        effect = real(firmware, address, in_block)
        if change == "registers":
            return replace(effect, reads=effect.reads & ~(effects.bit("r4") | effects.bit("x9")))
        access = effect.access
        return effect if access is None or access.store else replace(effect, access=None)

    monkeypatch.setattr(liveness, "effect_of", wrong)
    subject = subject_of(product)
    golden = golden_for(subject, start_of(subject, "install"), Mode.HOOKED)
    walker = Walker(subject, golden, hooked=True, ahead=True)
    assert walker.ahead is not None
    assert walker.ahead.whole


def test_code_that_erases_itself_runs_no_translation_of_what_was_there(subject_of: Callable[..., Subject]) -> None:
    """Found by trying faults in another order: the first run went on in old translations, the next one did not."""
    subject = subject_of("exchange", "arm-exchange-hardened.elf")
    golden = golden_for(subject, start_of(subject, "tampered-installed"), Mode.HOOKED)
    walker = Walker(subject, golden, hooked=True)
    index = next(i for i, pc in enumerate(golden.pcs) if pc in walker.board.hook_addresses) - 2
    seen = []
    for order in (1, -1):
        found: dict[Fault, Verdict] = {}
        for at in range(index, index + 4):
            walker.walk_to(at)
            kept = walker.board.snapshot()
            for fault in list(walker.injector.faults_at(at, (Model.WORD, Model.REGISTER)))[::order]:
                found[fault] = walker.try_fault(fault).verdict
                walker.board.restore(kept)
        seen.append(found)
        walker.begin()
    assert seen[0] == seen[1]


def long_way(subject: Subject, golden: Golden, index: int) -> Verdict:
    """Skip one instruction by a hook on every instruction, from power-up on: slow, simple, written apart."""
    seen = -1

    def skip(address: int) -> None:
        nonlocal seen
        seen += 1
        if seen == index:
            e.set("pc", address + subject.firmware.instruction(address).size)

    board = subject.board(trace=skip, reads_hooked=golden.reads_hooked)
    e = board.emulator
    begin(board, golden.start, golden.before)
    end: End = board.run(subject.bench.limit)
    return judge(subject, board, end, golden.before, golden.floor).verdict


@pytest.mark.parametrize("product", ["product", "rv32"])
def test_skips_as_with_a_hook_on_every_instruction(product: str, subject_of: Callable[..., Subject]) -> None:
    subject = subject_of(product)
    golden = golden_for(subject, start_of(subject, "tampered-installed"), Mode.HOOKED)
    walker = Walker(subject, golden, hooked=True)
    dice = random.Random(5)
    tail = range(len(golden.pcs) - 900, len(golden.pcs))
    sites = [i for i in sorted(dice.sample(tail, 25)) if walker.injector.block_start(golden.pcs[i]) is None]
    assert len(sites) > 15
    hooks = {call.address for call in walker.board.hooks}
    for index in sites:
        if golden.pcs[index] in hooks:
            continue  # A skip of a hooked function's first instruction depends on which hook is asked first.
        walker.walk_to(index)
        kept = walker.board.snapshot()
        verdict = walker.try_fault(Fault(index, Model.SKIP, "1")).verdict
        walker.board.restore(kept)
        expected = long_way(subject, golden, index)
        assert (golden.outcome.verdict if verdict is Verdict.SAME else verdict) is expected, index


def test_registers_are_faulted_on_rv32_too(subject_of: Callable[..., Subject]) -> None:
    """The disassembler names no registers that RV32 instructions read; they come from the operands."""
    subject = subject_of("rv32")
    golden = golden_for(subject, start_of(subject, "header-flag"), Mode.HOOKED)
    walker = Walker(subject, golden, hooked=True)
    by_text = {subject.firmware.instruction(pc).text.split()[0]: i for i, pc in enumerate(golden.pcs)}
    for name, registers in (("c.add", 2), ("c.swsp", 2), ("c.beqz", 1), ("c.lwsp", 1), ("c.jr", 1), ("c.li", 0)):
        faults = list(walker.injector.faults_at(by_text[name], (Model.REGISTER,)))
        assert len(faults) == 32 * registers, name


BLOCK = """
#include <stdint.h>
volatile uint32_t seen, other;
void reset(void);
__attribute__((section(".vectors"), used)) const void *const vectors[4] = { (void *)0x20008000, reset, 0, 0 };
void reset(void) {
    uint32_t a = 1, b = 2, c = 3;
    __asm__ volatile("cmp %0, #1\\n ittt eq\\n addeq %1, #10\\n addeq %2, #20\\n addeq %0, #30"
                     : "+r"(a), "+r"(b), "+r"(c) : : "cc");
    seen = a + 100 * b + 10000 * c;
    other = 5;
    for (;;) { }
}
"""


@pytest.mark.firmware
def test_a_skip_inside_a_conditional_block(build: Callable[..., Subject]) -> None:
    subject = build(BLOCK)
    start = next(s for s in subject.starts() if not s.cold)
    golden = run_golden(subject, start)
    walker = Walker(subject, golden, hooked=True)
    inside = [i for i, pc in enumerate(golden.pcs) if walker.injector.block_start(pc) is not None]
    assert len(inside) == 3
    seen = subject.firmware.image.symbol("seen")
    assert seen is not None
    results = []
    for index in inside:
        walker.walk_to(index)
        kept = walker.board.snapshot()
        walker.try_fault(Fault(index, Model.SKIP, "1"))
        results.append(int.from_bytes(walker.board.read_bytes(seen.address, 4) or b"", "little"))
        walker.board.restore(kept)
    # a, b and c without one of the three additions; by hand.
    assert results == [31 + 100 * 2 + 10000 * 23, 31 + 100 * 12 + 10000 * 3, 1 + 100 * 12 + 10000 * 23]


FAST = """
#include <stdint.h>
extern uint32_t fast_load[], fast_start[], fast_end[];
volatile uint32_t seen;
void reset(void);
__attribute__((section(".vectors"), used)) const void *const vectors[4] = { (void *)0x20008000, reset, 0, 0 };
__attribute__((section(".fast"), noinline, used, long_call)) uint32_t quick(uint32_t x) { return x * 3 + 1; }
void reset(void) {
    uint32_t *from = fast_load;
    for (uint32_t *to = fast_start; to < fast_end;) *to++ = *from++;
    uint32_t (*volatile call)(uint32_t) = quick;
    seen = call(7);
    WHERE
    for (;;) { }
}
"""


@pytest.mark.firmware
def test_code_copied_to_ram_runs_and_other_ram_does_not(build: Callable[..., Subject]) -> None:
    subject = build(FAST.replace("WHERE", ""))
    start = next(s for s in subject.starts() if not s.cold)
    golden = run_golden(subject, start)
    assert golden.end.kind == "hang"
    assert any(pc >= 0x2000_0000 for pc in golden.pcs)
    assert subject.firmware.place(next(pc for pc in golden.pcs if pc >= 0x2000_0000)).function == "quick"
    wild = build(FAST.replace("WHERE", "((void (*)(void))0x20004001)();"))
    golden = run_golden(wild, next(s for s in wild.starts() if not s.cold))
    assert golden.outcome.verdict is Verdict.UNAPPROVED
    assert "RAM" in golden.outcome.why


def test_hardened_code_takes_fewer_single_skips(subject_of: Callable[..., Subject]) -> None:
    hits = {}
    for boot in ("arm-copy-plain.elf", "arm-copy-hardened.elf"):
        subject = subject_of("product", boot)
        golden = golden_for(subject, start_of(subject, "tampered-installed"), Mode.SAMPLED)
        plan = make_plan(golden, [Model.BRANCH], Mode.SAMPLED)
        hits[boot] = run_part(subject, golden, plan, len(golden.pcs) * 3 // 4, len(golden.pcs)).hits
    assert hits["arm-copy-plain.elf"]
    assert len(hits["arm-copy-hardened.elf"]) < len(hits["arm-copy-plain.elf"])
    assert {hit.verdict for hit in hits["arm-copy-plain.elf"]} <= set(FINDINGS)


# Parts, work folder, processes


def small(subject: Subject) -> tuple[list[Golden], list[campaign.Plan]]:
    golden = golden_for(subject, start_of(subject, "header-flag"), Mode.SAMPLED)
    return [golden], [make_plan(golden, [Model.BRANCH], Mode.SAMPLED)]


def test_parts_cover_everything_once(subject_of: Callable[..., Subject]) -> None:
    goldens, plans = small(subject_of())
    parts = pool.split(plans[0], 0, 24)
    assert parts[0].first == 0
    assert parts[-1].end == len(goldens[0].pcs)
    assert all(a.end == b.first for a, b in pairwise(parts))


def test_a_stopped_campaign_goes_on_where_it_was(subject_of: Callable[..., Subject], tmp_path: Path) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    whole = pool.run_campaign(subject, goldens, plans)

    class Stopped(Exception):
        pass

    def stop(share: float, _: int) -> None:
        if share > 0.4:
            raise Stopped

    with pytest.raises(Stopped):
        pool.run_campaign(subject, goldens, plans, folder=tmp_path, progress=stop)
    kept = len(list(tmp_path.iterdir()))
    assert kept > 3
    damaged = sorted(tmp_path.iterdir())[0]
    damaged.write_text(damaged.read_text()[:20])
    again = pool.run_campaign(subject, goldens, plans, folder=tmp_path)
    assert again[0].counts == whole[0].counts
    assert again[0].hits == whole[0].hits
    assert whole[0].runs > 100


def test_a_stopped_campaign_leaves_no_process_at_work(subject_of: Callable[..., Subject], tmp_path: Path) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    before = set(multiprocessing.active_children())

    def stop(_: float, __: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pool.run_campaign(subject, goldens, plans, workers=2, folder=tmp_path, progress=stop)
    left = set(multiprocessing.active_children()) - before
    for process in left:
        process.join(10)
    assert not [process for process in left if process.is_alive()]
    assert len(list(tmp_path.iterdir())) == 1


def test_a_worker_goes_on_where_it_was_and_leaves_no_part() -> None:
    parts = [pool.Part(0, i, i + 1) for i in range(40)]
    free = pool._Free(parts, 2)
    taken: list[list[int]] = [[], []]
    dice = random.Random(3)
    while free:
        worker = int(dice.random() < 0.2)  # one is four times as fast
        number, part = free.take(worker)
        assert part is parts[number]
        taken[worker].append(number)
    assert sorted([*taken[0], *taken[1]]) == list(range(40))
    jumps = sum(b != a + 1 for numbers in taken for a, b in pairwise(numbers))
    assert jumps < 8
    free.give_back(7, parts[7])
    assert free.take(1) == (7, parts[7])


def test_what_a_worker_raises_is_raised_here(
    subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_: object) -> campaign.Tally:
        raise BenchError("as asked", where="part")

    monkeypatch.setattr(pool, "run_part", failing)
    subject = subject_of()
    goldens, plans = small(subject)
    with pytest.raises(BenchError, match="as asked"):
        pool.run_campaign(subject, goldens, plans, workers=2)


def test_a_killed_worker_loses_nothing(subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    whole = pool.run_campaign(subject, goldens, plans)
    real, parent = pool.run_part, os.getpid()
    once = Path(os.environ.get("PYTEST_CURRENT_TEST", "x").split(" ")[0]).name
    flag = Path(os.environ.get("TMPDIR", "/tmp")) / f"rootwright-{parent}-{abs(hash(once))}"

    def dying(*arguments: object) -> campaign.Tally:
        if os.getpid() != parent and not flag.exists():
            flag.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(pool, "run_part", dying)
    try:
        again = pool.run_campaign(subject, goldens, plans, workers=2)
        assert flag.exists()
    finally:
        flag.unlink(missing_ok=True)
    assert again[0].counts == whole[0].counts


def test_a_key_changes_with_what_results_depend_on(subject_of: Callable[..., Subject]) -> None:
    subject = subject_of()
    goldens, plans = small(subject)
    other = make_plan(goldens[0], [Model.SKIP], Mode.SAMPLED)
    flawed = subject_of("product", "arm-flaw-early-out.elf")
    keys = {
        pool.campaign_key(subject, goldens[0], plans[0]),
        pool.campaign_key(subject, goldens[0], other),
        pool.campaign_key(flawed, *(x[0] for x in small(flawed))),
    }
    assert len(keys) == 3


# What people and machines read


@pytest.fixture(scope="module")
def found(subject_of: Callable[..., Subject]) -> BenchReport:
    subject = subject_of()
    golden = golden_for(subject, start_of(subject, "tampered-installed"), Mode.HOOKED)
    plan = make_plan(golden, [Model.SKIP, Model.BRANCH], Mode.HOOKED)
    tally = run_part(subject, golden, plan, len(golden.pcs) - 800, len(golden.pcs) - 300)
    return BenchReport(subject, Mode.HOOKED, (golden,), (tally,))


def test_a_hit_names_file_line_instruction_and_reason(found: BenchReport) -> None:
    assert not found.holds
    lines = found.lines()
    assert sum(item.hits for item in lines) == len(found.total.hits)
    assert all(item.place.file.endswith(".c") and item.place.line for item in lines[:3])
    text = "\n".join(found.text())
    assert "skipped" in text
    assert "not covered" in text
    assert "assumed, not faulted: " in text
    data = json.loads(json.dumps(found.data()))
    assert data["findings"][0]["examples"][0]["id"].startswith("tampered-installed/")


def test_sarif_has_the_shape_that_the_standard_requires(found: BenchReport) -> None:
    """SARIF 2.1.0 (OASIS), sections 3.13, 3.14, 3.18, 3.27, 3.28 and 3.30: the required properties, from memory."""
    log = found.sarif()
    text = {"type": "object", "required": ["text"], "properties": {"text": {"type": "string", "minLength": 1}}}
    region = {"type": "object", "properties": {"startLine": {"type": "integer", "minimum": 1}}}
    physical = {"type": "object", "required": ["artifactLocation"], "properties": {"region": region}}
    location = {"type": "object", "properties": {"physicalLocation": physical}}
    result = {
        "type": "object",
        "required": ["ruleId", "level", "message", "locations"],
        "properties": {
            "level": {"enum": ["none", "note", "warning", "error"]},
            "message": text,
            "locations": {"type": "array", "items": location},
        },
    }
    run = {
        "type": "object",
        "required": ["tool", "results"],
        "properties": {"results": {"type": "array", "items": result}},
    }
    schema = {
        "type": "object",
        "required": ["version", "runs"],
        "properties": {"version": {"const": "2.1.0"}, "runs": {"type": "array", "items": run}},
    }
    jsonschema.Draft202012Validator(schema).validate(log)
    rules = {rule["id"] for rule in log["runs"][0]["tool"]["driver"]["rules"]}
    assert {r["ruleId"] for r in log["runs"][0]["results"]} <= rules
    assert log["runs"][0]["results"]


def test_the_page_says_without_colour_what_was_hit(found: BenchReport) -> None:
    page = write_page(found, found.subject.folder)
    assert page.count('class="m">!! ') == len([i for i in found.lines() if i.place.line])
    assert "--replay" in page
    assert "check" in page
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_the_page_lists_first_where_faults_broke_a_promise(found: BenchReport) -> None:
    page = write_page(found, found.subject.folder)
    listed = page[page.index("<h2>Where</h2>") : page.index("<h2>Runs</h2>")]
    links = [unquote(link) for link in re.findall(r'href="#([^"]+)"', listed)]
    assert len(links) == len(found.lines())
    assert set(links) == {unescape(name) for name in re.findall(r' id="([^"]+)"', page)}


def test_a_replay_ends_as_the_campaign_said(found: BenchReport) -> None:
    for hit in found.total.hits[:4]:
        lines = replay(found.subject, hit.id, Mode.HOOKED)
        assert lines[-1] == f"{hit.verdict.value}: {hit.why}"
        assert any(line.startswith(">") for line in lines)


@pytest.mark.parametrize("text", ["", "x", "a/b:1:skip:1", "tampered-installed/cold:99999999:skip:1", "a:b:c:d"])
def test_a_wrong_id_is_said_to_be_one(found: BenchReport, text: str) -> None:
    with pytest.raises(BenchError):
        replay(found.subject, text, Mode.HOOKED)


def test_the_probe_lists_what_no_rule_covers(subject_of: Callable[..., Subject]) -> None:
    from dataclasses import replace

    subject = subject_of("controller")
    start = start_of(subject, "install")
    assert probe(subject, start) == []
    subject.bench = replace(subject.bench, rules=(), controllers=())
    found = probe(subject, start)
    assert {p.access.kind for p in found} == {"read", "write"}
    assert all("bench-boot/firmware/" in p.place for p in found)
    assert all(p.rule.startswith("[[bench.rule]]") for p in found)
    with pytest.raises(BenchError, match="no rule covers"):
        run_golden(subject, start)
