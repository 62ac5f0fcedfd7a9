"""How fast faults are tried, each figure as a ratio to a baseline that runs in the same breath.

    python benchmarks/bench_faults.py [--quick]

The subject is the demo's bench boot stage. Ratios depend little on the machine; the rates beside them do. Single
processes are timed by processor time, so that a busy machine does not count; two processes against one need a machine
of two cores that does nothing else.

The walking campaign first learns its golden run (`bench/ahead.py`): once for each golden run, so it is timed apart, and
the rate is that of long stretches with everything that they learn on the way. The baselines are a run from power-up for
each fault: with a Python hook of the emulator library on every instruction, and counted to the fault on a board that is
kept. Counting is measured on the board that campaigns use.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from rootwright.bench.campaign import Mode, Walker, golden_for, make_plan, run_part
from rootwright.bench.faults import Fault, Model
from rootwright.bench.golden import Golden, begin, run_golden
from rootwright.bench.pool import run_campaign
from rootwright.bench.subject import Subject
from rootwright.describe.loading import load_product

DEMO = Path(__file__).resolve().parent.parent / "demo" / "bench-boot" / "product.toml"


def seconds(call: Callable[[], object], repeat: int = 1, clock: Callable[[], float] = time.process_time) -> float:
    """Return the least time of some runs; of this process's processor time, so that a busy machine does not count."""
    best = float("inf")
    for _ in range(repeat):
        begun = clock()
        call()
        best = min(best, clock() - begun)
    return best


def stretches(golden: Golden, each: int, count: int) -> list[tuple[int, int]]:
    """Return stretches of instructions, spread evenly over a golden run."""
    length = len(golden.pcs)
    return [(length * i // count, length * i // count + each) for i in range(count)]


def campaign_rate(subject: Subject, golden: Golden, hooked: bool, quick: bool) -> tuple[float, float]:
    """Return skips a second of the walking campaign, over stretches of the whole run, and seconds to learn the run."""
    plan = replace(make_plan(golden, [Model.SKIP], Mode.HOOKED), hooked=hooked)
    learning = seconds(lambda: run_part(subject, golden, plan, 0, 1))
    runs, spent = 0, 0.0
    each = (300 if quick else 2000) if len(golden.pcs) < 200_000 else (150 if quick else 300)
    for first, end in stretches(golden, each, 5 if quick else 10):
        begun = time.process_time()
        runs += run_part(subject, golden, plan, first, end).runs
        spent += time.process_time() - begun
    return runs / spent, learning


def hook_rate(subject: Subject, golden: Golden, hooked: bool, quick: bool) -> float:
    """Return skips a second where each is a run from power-up with a Python hook on every instruction."""
    sites = [first + 30 for first, _ in stretches(golden, 1, 3 if quick else 8)]

    def one(site: int) -> None:
        seen = -1

        def skip(address: int) -> None:
            nonlocal seen
            seen += 1
            if seen == site:
                board.emulator.set("pc", address + subject.firmware.instruction(address).size)

        board = subject.board(trace=skip, hooked=hooked, reads_hooked=golden.reads_hooked)
        begin(board, golden.start, golden.before)
        board.run(subject.bench.limit)

    return len(sites) / seconds(lambda: [one(site) for site in sites])


def count_rate(subject: Subject, golden: Golden, hooked: bool, quick: bool) -> float:
    """Return skips a second where each is a run from power-up, counted to the fault, on one board."""
    walker = Walker(subject, golden, hooked=hooked)  # the board is kept; only its state begins anew
    sites = [i for first, end in stretches(golden, 12 if quick else 40, 10) for i in range(first, end)]

    def one(site: int) -> None:
        begin(walker.board, golden.start, golden.before)
        walker.at = walker._next_stop = 0  # as `Walker.begin`, less what only a campaign needs
        walker.walk_to(site)
        walker.try_fault(Fault(site, Model.SKIP, "1"))

    return len(sites) / seconds(lambda: [one(site) for site in sites])


def main() -> None:
    """Print all ratios with what they are held against."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer runs; for looking whether it works")
    quick = parser.parse_args().quick
    subject = Subject(load_product(DEMO), DEMO.parent)
    install = next(s for s in subject.starts() if s.run.name == "install")
    golden = golden_for(subject, install, Mode.HOOKED)
    bare = run_golden(subject, install, hooked=False, reads_hooked=golden.reads_hooked)
    print(f"subject: {subject.firmware.name}, {install.name}; single processes are timed by processor time\n")
    for words, run, hooked in (("digests run", bare, False), ("digests hooked", golden, True)):
        walking, learning = campaign_rate(subject, run, hooked, quick)
        traced = hook_rate(subject, run, hooked, quick)
        counted = count_rate(subject, run, hooked, quick)
        print(f"{words}, {len(run.pcs):,} instructions")
        print(f"  skip campaign, walking            {walking:10,.0f} a second; once {learning:.1f} s to learn the run")
        print(f"    against a Python hook each run  {traced:10,.1f}: {walking / traced:8.1f} x (wanted 60)")
        print(f"    against counting from power-up  {counted:10,.1f}: {walking / counted:8.1f} x (wanted 1.3)")

    two_processes(subject, golden, quick)
    opcode_faults(subject, quick)
    boards = {each: subject.board(hooked=each, reads_hooked=golden.reads_hooked, quick=True) for each in (True, False)}

    def boot(hooked_: bool) -> None:
        begin(boards[hooked_], install, golden.before)
        boards[hooked_].run(subject.bench.limit)

    fast, slow = seconds(lambda: boot(True), 40), seconds(lambda: boot(False), 10)
    print(
        f"install, digests hooked             {fast * 1e3:.2f} ms, run {slow * 1e3:.1f} ms: {slow / fast:.1f} x "
        "(wanted 15)"
    )
    print(f"  instructions                      {len(golden.pcs):,}, {len(bare.pcs):,}")

    counting, raw = emulation(subject, bare)
    print(
        f"emulation with counting             {counting / 1e6:.0f}, raw {raw / 1e6:.0f} M/s: "
        f"{counting / raw:.2f} (wanted 0.4)"
    )


def two_processes(subject: Subject, golden: Golden, quick: bool) -> None:
    """Print how long the whole skip campaign of a golden run takes in one process and in two."""
    plan = make_plan(golden, [Model.SKIP], Mode.HOOKED)
    plan = replace(plan, length=plan.length // (4 if quick else 1))
    one = seconds(lambda: run_campaign(subject, [golden], [plan], workers=1), clock=time.perf_counter)
    two = seconds(lambda: run_campaign(subject, [golden], [plan], workers=2), clock=time.perf_counter)
    print(f"two processes against one           {one:.2f} s, {two:.2f} s: {one / two:.2f} x (wanted 1.7)")


def opcode_faults(subject: Subject, quick: bool) -> None:
    """Print how long all single skips and all single-bit faults of the opcodes of a boot take in two processes."""
    authentic = next(s for s in subject.starts() if s.run.name == "authentic" and s.cold)
    golden = golden_for(subject, authentic, Mode.HOOKED)
    for words, model, wanted in (
        ("skips of 1, 2 and 4", Model.SKIP, "seconds"),
        ("bits, zeros, ones of opcodes", Model.WORD, "60 s"),
    ):
        plan = replace(make_plan(golden, [model], Mode.HOOKED), every=(model,), some=(), sites=())
        plan = replace(plan, length=plan.length // (20 if quick else 1))
        begun = time.perf_counter()
        tally = run_campaign(subject, [golden], [plan], workers=2)[0]
        spent = time.perf_counter() - begun
        share = ", a twentieth of them" if quick else ""
        print(f"boot, at every instruction, {words}{share}: {tally.runs:,} faults, {spent:.1f} s (wanted {wanted})")


def emulation(subject: Subject, bare: Golden) -> tuple[float, float]:
    """Return instructions a second with and without counting, over the longest stretch that nothing stops."""
    rates = []
    for count in (True, False):
        best = 0.0
        board = subject.board(hooked=False, reads_hooked=bare.reads_hooked, quick=True)
        for _ in range(5):
            begin(board, bare.start, bare.before)
            begun = time.process_time()
            uc, pc = board.emulator.uc, board.emulator.pc | board.is_arm
            try:
                uc.emu_start(pc, 0xFFFF_FFFE, count=subject.bench.limit if count else 0)
            except Exception as error:  # the fetch of the image ends the run
                del error
            best = max(best, len(bare.pcs) / (time.process_time() - begun))
        rates.append(best)
    return rates[0], rates[1]


if __name__ == "__main__":
    main()
