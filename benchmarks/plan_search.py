"""Time the memory map search: 1,000 sectors, 15 blocks, many seeds, feasible or not, beside a constraint solver.

    make bench                          (the same as: python benchmarks/plan_search.py)
    python benchmarks/plan_search.py --seeds 50 --solver-cases 5

Columns: one verdict (a map exists, or proof that none does); the finished map with its slots grown, or the misfit with
its smallest change; and, last, the whole table of a product: all update procedures with maps and figures. Times are
processor time of this process, so that other work on the machine does not count. The line on the constraint solver
(OR-tools CP-SAT, which runs on all cores) compares elapsed time on the same demands and asserts the same verdicts.
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
from rootwright.describe.loading import load_product
from rootwright.describe.product import KeepArea, Product
from rootwright.device.procedures import demands
from rootwright.layout.demand import Block, BlockRole, Demand, Tie, TieKind
from rootwright.layout.map import Map
from rootwright.plan.search import find_map
from rootwright.plan.solver import Solver
from rootwright.plan.table import make_row

SECTORS = 1000
BLOCKS = 15
DEMO = Path(__file__).resolve().parent.parent / "demo" / "river-gauge" / "product.toml"


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


def timed(call: Callable[[], object], clock: Callable[[], float] = time.process_time) -> tuple[float, object]:
    start = clock()
    result = call()
    return clock() - start, result


def product_on(chip: Chip, rng: random.Random, fill: float) -> tuple[Product, dict[str, int]]:
    """The demo product with five keep-areas on another part: 15 blocks where it exchanges, and sizes of its images."""
    demo = load_product(DEMO)
    total = sum(m.size for m in chip.memories)
    unit = total * fill / 3
    shares = {
        "boot": 0.05,
        "recovery": 0.05,
        "application": 0.6 + 0.3 * rng.random(),
        "radio": 0.3 * rng.random() + 0.1,
    }
    keep = tuple(KeepArea(f"area{i}", 64 + int(unit * 0.03 * rng.random())) for i in range(5))
    product = replace(demo, chip=replace(chip, crypto=demo.chip.crypto), pins=(), keep=keep, protect=("boot", "keys"))
    return product, {name: int(unit * share) for name, share in shares.items()}


def table_of(product: Product, sizes: dict[str, int]) -> int:
    """Plan all procedures; return how many fit."""
    wanted = demands(product, sizes)
    return sum(make_row(demand, find_map(demand, product.chip), product, sizes).fits for demand in wanted)


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
    print(f"\n{'whole table':14} {'fitting':>8} {'all procedures':>20}")
    for make in (even, two_memories, uneven):
        seconds_of, fitting = [], 0
        for seed in range(asked.seeds):
            rng = random.Random(seed)
            product, sizes = product_on(make(rng), rng, rng.uniform(0.8, 1.15))
            seconds, fits = timed(lambda p=product, s=sizes: table_of(p, s))
            seconds_of.append(seconds * 1000)
            fitting += int(str(fits))
        print(f"{make.__name__:14} {fitting / asked.seeds:8.1f} {figures(seconds_of):>20}")
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
        seconds, fits = timed(lambda d=demand, c=chip: verdict_of(d, c), time.perf_counter)
        ours += seconds
        seconds, solver_says = timed(lambda d=demand, c=chip: is_feasible(d, c), time.perf_counter)
        theirs += seconds
        assert fits == solver_says
    print(
        f"constraint solver beside it ({count} cases of {SECTORS // 10} sectors): ours {ours / count * 1000:.1f} ms, "
        f"solver {theirs / count * 1000:.0f} ms, ratio {theirs / ours:.0f}"
    )


if __name__ == "__main__":
    main()
