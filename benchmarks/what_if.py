"""Time what-ifs on the demo product beside proving both sides, each by itself.

    python benchmarks/what_if.py [--repeat 3]

The baseline plans and proves the product as it is, and then as it would be, with nothing shared between the two; its
verdicts must be the same. Columns: processor time of the baseline and of the what-if, their ratio, and processor time
and elapsed time of the whole command `rootwright prove --quick --set`, started anew, reading and imports included. The
command may use two cores. Shown is the quickest of the repeats. Elapsed time counts only where the machine has nothing
else to do; its load is printed.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from rootwright.cli.what_if import read_overrides
from rootwright.describe.loading import load_product
from rootwright.describe.product import Product
from rootwright.pipeline import plan_product, prove_product
from rootwright.plan.result import PlanResult
from rootwright.prove.proof import Proof
from rootwright.watch.what_if import Answer, ask

DEMO = Path(__file__).resolve().parent.parent / "demo" / "river-gauge" / "product.toml"

CHANGES = {
    "a sector size": ("chip.memories.flash.sector=2 KiB",),
    "another part": ("chip=locks-until-reset", "pin=[]"),
    "an image's size": ("image.application.growth=25 %",),
    "two protections taken away": ('lock.write_protect=["boot", "keys", "journal", "floor", "lift", "run:radio"]',),
    "all but two taken away": ('lock.write_protect=["boot", "keys"]',),
    "a procedure": ("update.procedure=copy-over",),
    "a figure of wear": ("chip.memories.flash.endurance=20000",),
}


def sides(sets: tuple[str, ...]) -> tuple[tuple[Product, PlanResult], tuple[Product, PlanResult]]:
    """Return the product as it is and as it would be, each with its plan."""
    products = (load_product(DEMO), load_product(DEMO, overrides=read_overrides(sets)))
    one, other = ((product, plan_product(product, DEMO.parent)) for product in products)
    return one, other


def apart(sets: tuple[str, ...]) -> list[tuple[Proof, ...]]:
    """Prove both sides, each by itself."""
    one, other = sides(sets)
    names = tuple(dict.fromkeys((other[1].chosen, one[1].chosen)))
    return [prove_product(*(side[0], DEMO.parent, side[1]), names=names, harder=False) for side in (one, other)]


def asked(sets: tuple[str, ...]) -> Answer:
    """Ask what the change does."""
    return ask(*sides(sets), DEMO.parent, harder=False, images=False)


def quickest(work: Callable[[], object], repeat: int) -> float:
    """Return the least processor time that a piece of work took."""
    found = []
    for _ in range(repeat):
        begun = time.process_time()
        work()
        found.append(time.process_time() - begun)
    return min(found)


def command(sets: tuple[str, ...], repeat: int) -> tuple[float, float]:
    """Return the least processor time and the least elapsed time of the whole command."""
    options = [part for each in sets for part in ("--set", each)]
    line = [sys.executable, "-m", "rootwright", "prove", str(DEMO), "--quick", *options]
    spent, elapsed = [], []
    for _ in range(repeat):
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        elapsed.append(time.perf_counter() - begun)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(spent), min(elapsed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--repeat", type=int, default=3, help="of each measurement; the quickest is shown")
    repeat = parser.parse_args().repeat
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"{'change':<28} {'apart':>8} {'what-if':>8} {'ratio':>6} {'command':>9} {'elapsed':>8}")
    for name, sets in CHANGES.items():
        separate, answer = apart(sets), asked(sets)
        for pair in answer.verdicts:
            for side, told in zip(separate, (pair.before, pair.after), strict=True):
                alone = next((proof.steady.words for proof in side if proof.procedure == pair.subject), "")
                assert pair.words(told) == alone, (name, pair.subject)
        long, short = quickest(lambda s=sets: apart(s), repeat), quickest(lambda s=sets: asked(s), repeat)
        spent, elapsed = command(sets, repeat)
        print(f"{name:<28} {long:7.2f}s {short:7.2f}s {long / short:5.1f}x {spent:8.2f}s {elapsed:7.2f}s", flush=True)


if __name__ == "__main__":
    main()
