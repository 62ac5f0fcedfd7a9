"""Time the memory map search: 1,000 sectors, 15 blocks, many seeds, feasible or not, beside a constraint solver.

python benchmarks/plan_search.py [--seeds 50] [--solver-cases 5]
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "plan"))

from random_cases import TRAITS, chip_of, flash

from rootwright.describe.chip import Chip
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind
from rootwright.layout.map import Map
from rootwright.plan.search import find_map
from rootwright.plan.solver import Solver

SECTORS = 1000
BLOCKS = 15


def even(rng: random.Random) -> Chip:
    """1,000 even sectors in one memory, two banks in half of the cases."""
    return chip_of((flash("flash", 0x0800_0000, [(SECTORS, 2048)], banks=rng.choice((1, 2))),), 4096)


def two_memories(rng: random.Random) -> Chip:
    """Sectors of two sizes in two memories."""
    return chip_of((flash("flash", 0x0800_0000, [(500, 2048)]), flash("outer", 0x9000_0000, [(500, 4096)])), 4096)


def uneven(rng: random.Random) -> Chip:
    """A pattern of small, middle and large sectors."""
    runs = [(rng.randint(100, 300), size) for size in (1024, 2048, 8192)]
    runs.append((SECTORS - sum(count for count, _ in runs), 4096))
    return chip_of((flash("flash", 0x0800_0000, runs),), 8192)


def demand_for(chip: Chip, rng: random.Random, fill: float, pins: int) -> Demand:
    """15 blocks: a boot stage, two images with run and staging slots, a lift, and records of random sizes."""
    names = tuple(m.name for m in chip.memories)
    total = sum(m.size for m in chip.memories)
    shares = (
        [0.06] + [0.3 * (0.5 + rng.random())] + [0.1 * (0.5 + rng.random())] + [rng.random() * 0.08 for _ in range(9)]
    )
    unit = total * fill / (shares[0] + 2 * shares[1] + 2 * shares[2] + sum(shares[3:]))
    size = [max(64, int(unit * share)) for share in shares]
    blocks = [Block("boot", BlockRole.BOOT, size[0], size[0], names[:1], write_protect=True)]
    for i, image in ((1, "application"), (2, "radio")):
        run = Block(f"run:{image}", BlockRole.SLOT, size[i], size[i], names, image=image, header=512, vector_align=512)
        blocks += [
            run,
            replace(run, name=f"stage:{image}", role=BlockRole.STAGING, vector_align=1, memories=names[::-1]),
        ]
    blocks.append(Block("lift", BlockRole.LIFT, 1, 1, names))
    for i in range(9):
        blocks.append(Block(f"keep:{i}", BlockRole.KEEP, size[3 + i], size[3 + i], names))
    memory = chip.memories[0]
    bounds = [s.address for s in memory.sectors()]
    for i in range(pins):
        at = bounds[len(bounds) * (i + 1) // (pins + 1)]
        blocks[6 + i] = replace(blocks[6 + i], at=at, memories=names[:1])
    ties = (
        Tie(TieKind.SAME_SIZE, ("run:application", "stage:application")),
        Tie(TieKind.SAME_SIZE, ("run:radio", "stage:radio")),
        Tie(TieKind.AT_LEAST_LARGEST_SECTOR, ("lift", "run:application", "stage:application")),
    )
    assert len(blocks) == BLOCKS
    return Demand(TRAITS, tuple(blocks), ties)


def bins(rng: random.Random) -> tuple[Demand, Chip]:
    """The hardest kind: 15 blocks of differing sizes into gaps between four pinned sectors, a few sectors to spare."""
    chip = chip_of((flash("flash", 0x0800_0000, [(SECTORS, 2048)]),), 4096)
    blocks = [
        Block(
            f"pin:{i}",
            BlockRole.KEEP,
            2048,
            2048,
            ("flash",),
            at=0x0800_0000 + 2048 * (200 * i + rng.randint(150, 190)),
        )
        for i in range(4)
    ]
    cuts = sorted(rng.sample(range(1, 996 - rng.randint(0, 12)), BLOCKS - 1))
    sizes = [b - a for a, b in zip([0, *cuts], [*cuts, 994], strict=True)]
    blocks += [Block(f"b{i}", BlockRole.KEEP, 2048 * s, 2048 * s, ("flash",)) for i, s in enumerate(sizes)]
    return Demand(TRAITS, tuple(blocks)), chip


def timed(call: Callable[[], object]) -> tuple[float, object]:
    start = time.perf_counter()
    result = call()
    return time.perf_counter() - start, result


def cases(seeds: int) -> dict[str, list[tuple[Demand, Chip]]]:
    found: dict[str, list[tuple[Demand, Chip]]] = {}
    for make in (even, two_memories, uneven):
        for seed in range(seeds):
            rng = random.Random(seed)
            chip = make(rng)
            found.setdefault(make.__name__, []).append((demand_for(chip, rng, rng.uniform(0.7, 1.05), seed % 4), chip))
    found["bins"] = [bins(random.Random(seed)) for seed in range(seeds)]
    return found


def verdict_of(demand: Demand, chip: Chip) -> bool:
    solver = Solver(demand, chip)
    return solver.solve(solver.least) is not None


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--solver-cases", type=int, default=5)
    asked = parser.parse_args()
    print(
        f"{SECTORS} sectors, {BLOCKS} blocks (bins: and four pins), {asked.seeds} seeds; milliseconds, median / worst"
    )
    print(f"{'case':14} {'feasible':>8} {'verdict, feasible':>20} {'verdict, infeasible':>20} {'map or misfit':>20}")
    for name, group in cases(asked.seeds).items():
        verdicts: dict[bool, list[float]] = {True: [], False: []}
        whole = []
        for demand, chip in group:
            seconds, fits = timed(lambda d=demand, c=chip: verdict_of(d, c))
            verdicts[bool(fits)].append(seconds * 1000)
            seconds, result = timed(lambda d=demand, c=chip: find_map(d, c))
            whole.append(seconds * 1000)
            assert isinstance(result, Map) == fits
        columns = [figures(verdicts[True]), figures(verdicts[False]), figures(whole)]
        print(f"{name:14} {len(verdicts[True]):8} " + " ".join(f"{column:>20}" for column in columns))
    if asked.solver_cases:
        compare(asked.solver_cases)


def figures(values: list[float]) -> str:
    return f"{statistics.median(values):.1f} / {max(values):.1f}" if values else "-"


def compare(count: int) -> None:
    """The same verdicts by OR-tools CP-SAT on even sectors, model building included."""
    from constraint_model import is_feasible

    ours = theirs = 0.0
    for seed in range(count):
        rng = random.Random(seed)
        # The model lists all windows of a block: a tenth of the sectors keeps it within memory.
        chip = chip_of((flash("flash", 0x0800_0000, [(SECTORS // 10, 16384)]),), 16384)
        demand = demand_for(chip, rng, rng.uniform(0.7, 1.0), seed % 4)
        seconds, fits = timed(lambda d=demand, c=chip: verdict_of(d, c))
        ours += seconds
        seconds, solver_says = timed(lambda d=demand, c=chip: is_feasible(d, c))
        theirs += seconds
        assert fits == solver_says
    print(
        f"constraint solver beside it ({count} cases of {SECTORS // 10} sectors): ours {ours / count * 1000:.1f} ms, "
        f"solver {theirs / count * 1000:.0f} ms, ratio {theirs / ours:.0f}"
    )


if __name__ == "__main__":
    main()
