"""Time the memory map search: 1,000 sectors, 15 blocks, many seeds, feasible or not, beside a constraint solver.

    make bench                          (the same as: python benchmarks/plan_search.py)
    python benchmarks/plan_search.py --seeds 50 --products 20 --solver-cases 5

Columns: one verdict (a map exists, or proof that none does); the finished map with its slots grown; the misfit with its
smallest change; and, further down, the whole table of a product: all update procedures with maps, misfits and figures.
Times are processor time of this process, so that other work on the machine does not count. The lines on the constraint
solver (OR-tools CP-SAT, one core) compare elapsed time on the same demands, model building included, and assert the
same verdicts wherever the solver decides within its limit. All of it takes about a minute.
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

from rootwright.describe.chip import Chip, MemoryKind
from rootwright.describe.loading import load_product
from rootwright.describe.product import KeepArea, Pin, Product
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


def uneven_banks(rng: random.Random) -> Chip:
    """Two banks, each a pattern of small, middle and large sectors."""
    runs = [(rng.randint(20, 100), 1024), (rng.randint(20, 100), 2048)]
    runs.append((SECTORS // 2 - sum(count for count, _ in runs), rng.choice((4096, 8192))))
    return chip_of((flash("flash", 0x0800_0000, runs + runs, banks=2),), 1024)


def uneven_two(rng: random.Random) -> Chip:
    """Two memories, each a pattern."""
    runs = [(rng.randint(20, 100), 1024), (rng.randint(20, 100), 2048), (300, 4096)]
    runs.append((800 - sum(count for count, _ in runs), 8192))
    outer = flash("outer", 0x9000_0000, [(100, 2048), (100, 16384)])
    return chip_of((flash("flash", 0x0800_0000, runs), outer), 8192)


PARTS = (even, two_memories, uneven, uneven_banks, uneven_two)


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
    memory = chip.memories[0]
    bounds = [s.address for s in memory.sectors()]
    pins = tuple(Pin(f"keep:area{i}", rng.choice(bounds[len(bounds) // 4 :]), None) for i in range(rng.randint(0, 2)))
    if memory.banks == 2:  # with a settings area that says which bank is mapped low, it can flip
        words = flash("settings", 0x1FFF_0000, [(1, 64)], kind=MemoryKind.SETTINGS)
        chip = replace(chip, memories=(*chip.memories, words))
    product = replace(demo, chip=replace(chip, crypto=demo.chip.crypto), pins=pins, keep=keep, protect=("boot", "keys"))
    return product, {name: int(unit * share) for name, share in shares.items()}


def table_of(product: Product, sizes: dict[str, int]) -> int:
    """Plan all procedures; return how many fit."""
    wanted = demands(product, sizes)
    return sum(make_row(demand, find_map(demand, product.chip), product, sizes).fits for demand in wanted)


def cases(seeds: int) -> dict[str, list[tuple[Demand, Chip]]]:
    found: dict[str, list[tuple[Demand, Chip]]] = {}
    for make in PARTS:
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
    parser.add_argument("--seeds", type=int, default=20, help="demands per kind of part")
    parser.add_argument("--products", type=int, default=8, help="whole tables per kind of part")
    parser.add_argument("--solver-cases", type=int, default=3, help="demands given to the constraint solver too")
    parser.add_argument("--solver-limit", type=float, default=4.0, help="its seconds for one demand")
    asked = parser.parse_args()
    print(
        f"{SECTORS} sectors, {BLOCKS} blocks (bins: and four pins), {asked.seeds} seeds; milliseconds, median / worst"
    )
    heads = ("verdict, feasible", "verdict, infeasible", "map", "misfit")
    print(f"{'demands':14} {'feasible':>8}" + "".join(f"{head:>21}" for head in heads))
    for name, group in cases(asked.seeds).items():
        verdicts: dict[bool, list[float]] = {True: [], False: []}
        whole: dict[bool, list[float]] = {True: [], False: []}
        for demand, chip in group:
            seconds, fits = timed(lambda d=demand, c=chip: verdict_of(d, c))
            verdicts[bool(fits)].append(seconds * 1000)
            seconds, result = timed(lambda d=demand, c=chip: find_map(d, c))
            whole[bool(fits)].append(seconds * 1000)
            assert isinstance(result, Map) == fits
        columns = [figures(times[fits]) for times in (verdicts, whole) for fits in (True, False)]
        print(f"{name:14} {len(verdicts[True]):8}" + "".join(f"{column:>21}" for column in columns), flush=True)
    print(f"\n{'whole tables':14} {'fitting':>8}{'all procedures':>21}   ({asked.products} products on each)")
    for make in PARTS:
        seconds_of, fitting = [], 0
        for seed in range(asked.products):
            rng = random.Random(seed)
            product, sizes = product_on(make(rng), rng, rng.uniform(0.8, 1.15))
            seconds, fits = timed(lambda p=product, s=sizes: table_of(p, s))
            seconds_of.append(seconds * 1000)
            fitting += int(str(fits))
        print(f"{make.__name__:14} {fitting / asked.products:8.1f}{figures(seconds_of):>21}", flush=True)
    if asked.solver_cases:
        compare(asked.solver_cases, asked.solver_limit)


def figures(values: list[float]) -> str:
    return f"{statistics.median(values):.1f} / {max(values):.1f}" if values else "-"


def compare(count: int, limit_s: float) -> None:
    """The same verdicts by OR-tools CP-SAT on even sectors, model building included."""
    from constraint_model import ask_solver

    ours, theirs = [], []
    decided = 0
    sectors = SECTORS // 10  # The model lists all windows of a block: a tenth of the sectors keeps it within memory.
    for seed in range(count):
        rng = random.Random(seed)
        chip = chip_of((flash("flash", 0x0800_0000, [(sectors, 16384)]),), 16384)
        demand = demand_for(chip, rng, rng.uniform(0.7, 1.0), seed % 4)
        seconds, fits = timed(lambda d=demand, c=chip: verdict_of(d, c), time.perf_counter)
        ours.append(seconds * 1000)
        seconds, answer = timed(lambda d=demand, c=chip: ask_solver(d, c, limit_s=limit_s), time.perf_counter)
        theirs.append(seconds * 1000)
        assert answer is None or answer == fits
        decided += answer is not None
    print(
        f"\nconstraint solver beside it, {count} demands of {sectors} sectors; milliseconds, median / worst: ours "
        f"{figures(ours)}, solver {figures(theirs)}; it decided {decided} of {count} within {limit_s:g} s"
    )


if __name__ == "__main__":
    main()
