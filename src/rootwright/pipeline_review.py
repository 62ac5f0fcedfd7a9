"""The review joined with the stages that it looks at: plan, check under power cuts, and other parts."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

from rootwright.describe.attack import Fact
from rootwright.describe.chip import Chip
from rootwright.describe.loading import load_chip, profile_names
from rootwright.describe.product import ImageRole, Product
from rootwright.errors import FormatError, ImageError
from rootwright.pipeline import lock_down, plan_product, prove_product
from rootwright.plan.lockdown.result import LockdownPlan, Met
from rootwright.plan.result import PlanResult
from rootwright.prove.proof import Proof
from rootwright.review.compare import Comparison, PartRow, make_row, move_to
from rootwright.review.facts import CutVerdict, Facts, FaultVerdict
from rootwright.review.rate import make_review
from rootwright.review.result import ReviewResult

Progress = Callable[[str, int], None]


SINGLE_FAULTS = frozenset({"skip", "replay", "branch", "word", "line", "load", "register"})
"""Fault models of the bench that stand for one fault; a report without one of them shows no clean boot stage."""


def cut_verdict(proof: Proof | None) -> CutVerdict | None:
    """Return what a review needs of a proof; None where there is none."""
    return None if proof is None else CutVerdict(proof.steady.holds, proof.steady.closed)


def read_bench_report(text: str, *, name: str = "bench report", boot: bytes | None = None) -> FaultVerdict:
    """Return what a review needs of the JSON that `rootwright bench --json` printed: single faults tried, and hits.

    Pairs of faults are left out: that two faults together get through is what the steps on several faults stand for.

    Args:
        text: The report.
        name: File name, for messages.
        boot: The product's boot stage, for a report to be about; None leaves that to the caller.

    Raises:
        FormatError: The text is no such report, or one about another boot stage or about something else than faults.
    """
    refused = FormatError(
        "this is not what `rootwright bench --json` prints",
        where=name,
        next_step="write it with: rootwright bench product.toml --json > bench.json",
    )
    try:
        data = json.loads(text)
        counts = [run["counts"] for run in data["runs"]]
        tried = _count(counts)
        hits = _count(found["counts"] for found in data["findings"])
        left = SINGLE_FAULTS - {model for rows in counts for model, _, number in rows if number}
        golden = not any(run["fails"] for run in data["runs"])
        about = str(data["boot_sha256"])
    except (ValueError, TypeError, KeyError, RecursionError):
        raise refused from None
    if not tried or hits > tried:
        raise refused
    if boot is not None and about != sha256(boot).hexdigest():
        raise FormatError(
            f"it is about a boot program of SHA-256 {about[:16]}..., the product's {sha256(boot).hexdigest()[:16]}...",
            where=name,
            next_step="run the bench again on the boot stage that the product file names",
        )
    return FaultVerdict(tried, hits, whole=golden and not left)


def _count(tables: Iterable[Iterable[tuple[str, str, int]]]) -> int:
    """Add up rows of fault model, verdict and number; pairs of faults left out."""
    rows = [row for table in tables for row in table]
    if not all(isinstance(number, int) and number >= 0 for _, _, number in rows):
        raise ValueError(rows)
    return sum(number for model, _, number in rows if model != "two")


def read_boot_stage(product: Product, folder: Path) -> bytes:
    """Return the file of the product's boot stage, for a bench report to be held against.

    Raises:
        ImageError: The boot stage has no file, or it cannot be read.
    """
    spec = next((image for image in product.images if image.role is ImageRole.BOOT_STAGE), None)
    if spec is None or spec.file is None:
        raise ImageError(
            "the boot stage has no file, so no bench report can be about it",
            where="image: boot stage",
            next_step="name its file in the product, or leave --bench out",
        )
    try:
        return (folder / spec.file).read_bytes()
    except OSError as error:
        raise ImageError(
            f"it cannot be read: {error.strerror}", where=str(spec.file), next_step="build the boot stage first"
        ) from None


def review_product(
    product: Product,
    folder: Path,
    plan: PlanResult,
    *,
    check_cuts: bool = True,
    lockdown: LockdownPlan | None = None,
    proof: Proof | None = None,
    bench: FaultVerdict | None = None,
    progress: Progress | None = None,
) -> ReviewResult:
    """Return the review of a product.

    Args:
        product: The product.
        folder: Where its files are.
        plan: The result of `plan_product`.
        check_cuts: Whether to check the product's own procedure under power cuts first, where no proof is given.
        lockdown: The product's lock-down; planned here where it is not given.
        proof: The proof of that procedure, where there is one.
        bench: The verdict of the bench, where there is one.
        progress: Called now and then with a procedure's name and the number of states found.

    Raises:
        PlanError: `lock.order` names steps that do not exist, or the product's own steps make too many ways.
    """
    if proof is None and check_cuts:
        found = prove_product(
            product,
            folder,
            plan,
            names=(plan.chosen,),
            harder=False,
            images=False,
            remedies=False,
            progress=progress,
        )
        proof = found[0] if found else None
    if lockdown is None and plan.plan.map is not None:
        lockdown = lock_down(product, plan)
    return make_review(product, plan, lockdown=lockdown, cuts=cut_verdict(proof), bench=bench)


def compare_parts(
    product: Product,
    folder: Path,
    *,
    check_cuts: bool = False,
    on_part: Callable[[str], None] | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Return the product on every packaged part and on its own, the weakest first and its own last.

    On another part the product's pins and names of memories are taken out. Where it has no map with its write
    protections, it is planned without them, and the row says so. Where power cuts are not checked, ratings count them
    as open.

    Args:
        product: The product.
        folder: Where its files are.
        check_cuts: Whether to check the product's own procedure under power cuts on every part where it fits; that can
            take minutes.
        on_part: Called with the name of each part before it is looked at.
        progress: Called now and then with a procedure's name and the number of states found.
    """
    others = [load_chip(name) for name in profile_names()]
    rows = []
    for chip in sorted((c for c in others if c.name != product.chip.name), key=lambda c: c.strength):
        if on_part is not None:
            on_part(chip.name)
        rows.append(_row(move_to(product, chip), chip, folder, own=False, check_cuts=check_cuts, progress=progress))
    if on_part is not None:
        on_part(product.chip.name)
    rows.append(_row(product, product.chip, folder, own=True, check_cuts=check_cuts, progress=progress))
    name = f"{product.name} {product.model}"
    return Comparison(name, product.update.procedure, tuple(rows), cuts_checked=check_cuts)


def _row(
    product: Product, chip: Chip, folder: Path, *, own: bool, check_cuts: bool, progress: Progress | None
) -> PartRow:
    plan = plan_product(product, folder)
    protected = True
    if plan.plan.map is None and product.protect and not own:
        open_product = replace(product, protect=())
        open_plan = plan_product(open_product, folder)
        if open_plan.plan.map is not None:
            product, plan, protected = open_product, open_plan, False
    if plan.plan.map is None:
        return make_row(chip, plan, (), own=own, protected=False)
    lockdown = lock_down(product, plan)
    review = review_product(product, folder, plan, check_cuts=check_cuts, lockdown=lockdown, progress=progress)
    return make_row(
        chip,
        plan,
        review.assets,
        own=own,
        protected=protected,
        isolation=str(lockdown.isolation),
        aims=(sum(aim.met is Met.MET for aim in lockdown.aims), len(lockdown.aims)),
        cuts=_cuts_hold(review.facts) if check_cuts else None,
    )


def _cuts_hold(facts: Facts) -> bool | None:
    if facts.row(Fact.HOLDS_UNDER_CUTS).holds:
        return True
    return False if facts.row(Fact.FAILS_UNDER_CUTS).holds else None
