"""The stages that a watch runs, each on its own view of the product: what it needs, and a result that JSON can hold."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from rootwright.bring.own_format import LoadedFormat
from rootwright.describe.product import Product
from rootwright.device.procedures.naming import is_own_procedure
from rootwright.errors import PlanError
from rootwright.layout.map import Map
from rootwright.pipeline import (
    ReleaseInputs,
    plan_product,
    prove_migrations,
    prove_product,
    read_release_inputs,
    require_installable,
)
from rootwright.plan.lockdown.build import make_lockdown
from rootwright.plan.lockdown.result import LockdownPlan, Met
from rootwright.plan.result import PlanResult, ProcedurePlan, Row
from rootwright.plan.root_of_trust import find_gaps, judge_part
from rootwright.prove.trials import Status, run_trials
from rootwright.prove.trials.subject import trial_key
from rootwright.release.build import build_release
from rootwright.review.facts import CutVerdict
from rootwright.review.rate import make_review
from rootwright.suit.check import check_envelope
from rootwright.watch.views import (
    bare_demand,
    bare_map,
    bench_view,
    lockdown_view,
    plan_view,
    prove_view,
    release_view,
    review_view,
)
from rootwright.work_folder import as_plain

FINE, FINDING, BAD, WAITS = "fine", "finding", "bad", "waits"
MOST_PLUGINS = 500

Result = dict[str, Any]
"""What a stage found: `state`, `summary` in one line, `lines` with what to mend, and data for later stages."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage, ready to run or to be found in the work folder.

    Attributes:
        inputs: Everything that it depends on besides files, as plain data or dataclasses.
        files: Files that it reads.
        keepable: Whether its result may be kept; not where it starts commands that nobody can take a digest of.
        passed: Files that it may read besides, because what matters in them is in `inputs` already: to plan once more
            where the plan was kept, or to show a failure's bytes, which are no part of the result.
    """

    name: str
    inputs: object = field(repr=False)
    files: tuple[Path, ...]
    run: Callable[[], Result] = field(repr=False)
    keepable: bool = True
    passed: tuple[Path, ...] = ()


class Stages:
    """The stages of one product in their order; later ones take what earlier ones found.

    Args:
        product: As described.
        folder: Where its files are.
        open_points: What the product and chip files still leave open.
        progress: Called with a stage's name and how far it is.
    """

    def __init__(
        self,
        product: Product,
        folder: Path,
        open_points: Sequence[str],
        progress: Callable[[str, int], None] | None = None,
    ) -> None:
        self.product = product
        self.folder = folder
        self.open_points = tuple(open_points)
        self.progress = progress
        self._plan: PlanResult | None = None
        self._inputs: ReleaseInputs | None = None

    # What each depends on

    def check(self) -> Stage:
        """Return the stage that judges part and product."""
        return Stage("check", (self.product, self.open_points), (), self._check)

    def plan(self) -> Stage:
        """Return the stage that places everything."""
        return Stage("plan", plan_view(self.product), self._plan_files(), self._run_plan)

    def prove(self, planned: Result) -> Stage:
        """Return the stage that explores the product's own procedure on its map."""
        inputs = (prove_view(self.product), planned["map"], planned["demand"])
        return Stage("prove", inputs, self._procedure_files(), self._prove, passed=self._every_file())

    def lockdown(self, planned: Result) -> Stage:
        """Return the stage that says what is locked, and what the product asks of it in vain."""
        inputs = (lockdown_view(self.product), planned["map"], planned["demand"])
        return Stage("lockdown", inputs, self._procedure_files(), self._lockdown, passed=self._every_file())

    def review(self, proved: Result | None) -> Stage:
        """Return the stage that rates attacks and holds the product against the design rules.

        It looks at the whole plan, figures and all, and at the verdict under power cuts, where there is one.
        """
        cuts = None if proved is None else CutVerdict(proved["holds"], proved["closed"])
        inputs = (review_view(self.product), cuts)
        return Stage("review", inputs, self._plan_files(), lambda: self._review(cuts), passed=self._every_file())

    def release(self, planned: Result) -> Stage:
        """Return the stage that builds a release under trial keys and lets the reference device install it."""
        inputs = (release_view(self.product), planned["map"])
        return Stage("release", inputs, self._release_files(), self._release, self._is_keepable(), self._every_file())

    def trials(self, planned: Result) -> Stage:
        """Return the stage that offers the release, altered, to the reference device."""
        inputs = (release_view(self.product), planned["map"])
        return Stage("trials", inputs, self._release_files(), self._trials, self._is_keepable(), self._every_file())

    def bench(self) -> Stage:
        """Return the stage that runs the boot program itself under cuts of the power, from each of its starts."""
        return Stage("bench", bench_view(self.product), self._bench_files(), self._bench)

    def _bench_files(self) -> tuple[Path, ...]:
        bench = self.product.bench
        assert bench is not None
        names = [file for run in bench.runs for file in run.flash] + [image.file for image in bench.approved]
        found = [*self._every_file(), *(self.folder / name for name in names), *plugin_files(self.folder)]
        return tuple(dict.fromkeys(found))

    def _every_file(self) -> tuple[Path, ...]:
        images = self.product.images
        named = [(i.file, i.second_file, i.precursor, i.precursor_second) for i in images]
        names = [name for group in named for name in group] + [keep.file for keep in self.product.keep]
        return tuple(self.folder / name for name in names if name is not None)

    def _plan_files(self) -> tuple[Path, ...]:
        files = [self.folder / f for image in self.product.images for f in (image.file, image.second_file) if f]
        return (*files, *self._procedure_files())

    def _procedure_files(self) -> tuple[Path, ...]:
        return plugin_files(self.folder) if is_own_procedure(self.product.update.procedure) else ()

    def _release_files(self) -> tuple[Path, ...]:
        images = self.product.updatable_images
        names = [f for image in images for f in (image.file, image.second_file, image.precursor) if f is not None]
        own = self.product.format
        functions = own is not None and (isinstance(own.packer, str) or isinstance(own.reader, str))
        plugins = plugin_files(self.folder) if functions else self._procedure_files()
        return (*(self.folder / name for name in names), *plugins)

    def _is_keepable(self) -> bool:
        own = self.product.format
        return own is None or (isinstance(own.packer, str) and isinstance(own.reader, str))

    # What each does

    def _check(self) -> Result:
        verdict, gaps = judge_part(self.product.chip), find_gaps(self.product)
        lines = [f"{gap.field}: {gap.message}; {gap.next_step}" for gap in gaps]
        lines += [f"to fill in: {point}" for point in self.open_points]
        summary = f"the part {verdict.standing.value}"
        if lines:
            summary += f"; {_count(len(gaps), 'finding')}, {_count(len(self.open_points), 'point')} to fill in"
        return {"state": FINDING if lines else FINE, "summary": summary, "lines": lines}

    def _run_plan(self) -> Result:
        result = self._planned()
        own = result.plan
        lines = [f"{f.rule}: {f.found}; {f.next_step}" for f in result.findings if not f.note]
        data: Result = {"state": FINDING if lines else FINE, "lines": lines, "map": None, "demand": None}
        if own.map is None:
            return {**data, "state": FINDING, "summary": f"{result.chosen} has no map"}
        data["map"] = as_plain(bare_map(own.map))
        data["demand"] = as_plain(bare_demand(own.demand))
        found = f", {_count(len(lines), 'finding')}" if lines else ""
        return {**data, "summary": f"{result.chosen} fits, {own.row.free:,} bytes are free{found}"}

    def _planned(self) -> PlanResult:
        if self._plan is None:
            self._plan = plan_product(plan_view(self.product), self.folder)
        return self._plan

    def _own_map(self) -> Map:
        found = self._planned().plan.map
        if found is None:
            raise PlanError("the product's own procedure has no map", where="update.procedure")
        return bare_map(found)

    def _prove(self) -> Result:
        own = self._planned().plan
        # The figures stay out: a stage that wanted them would not be found under the right key.
        bare = ProcedurePlan(bare_demand(own.demand), self._own_map(), cast(Row, None))
        plan = PlanResult("", "", self._planned().chosen, (), (bare,), ())
        view = prove_view(self.product)
        proof = prove_product(view, self.folder, plan, harder=False, progress=self.progress)[0]
        migrations = prove_migrations(view, self.folder, plan, harder=False, progress=self.progress)
        verdict = proof.steady
        lines = [] if verdict.holds else [f"{verdict.claim}: {verdict.what}"]
        failed = [each for each in migrations if not each.steady.holds]
        lines += [f"{each.procedure}: {each.steady.claim}: {each.steady.what}" for each in failed]
        summary = f"{proof.procedure}: {verdict.words}, {verdict.states:,} states"
        if migrations:
            holding = len(migrations) - len(failed)
            summary += f"; {holding} of {_count(len(migrations), 'migration')} {'holds' if holding == 1 else 'hold'}"
        state = FINE if verdict.holds and not failed else FINDING
        return {
            "state": state,
            "summary": summary,
            "lines": lines,
            "holds": verdict.holds,
            "closed": verdict.closed,
        }

    def _locked(self, product: Product) -> LockdownPlan:
        own = self._planned().plan
        return make_lockdown(product, self._own_map(), bare_demand(own.demand))

    def _lockdown(self) -> Result:
        found = self._locked(lockdown_view(self.product))
        broken = [conflict for conflict in found.conflicts if not conflict.note]
        lines = [f"{conflict.rule}: {conflict.found}; {conflict.next_step}" for conflict in broken]
        lines += [f"lock.order: {cut.text}" for cut in found.cut_offs]
        met = sum(aim.met is Met.MET for aim in found.aims)
        summary = f"isolation rests on {found.isolation}; {met} of {_count(len(found.aims), 'aim')} met"
        return {"state": FINDING if found.breaks_a_limit else FINE, "summary": summary, "lines": lines}

    def _review(self, cuts: CutVerdict | None) -> Result:
        view, plan = review_view(self.product), self._planned()
        lockdown = self._locked(lockdown_view(self.product)) if plan.plan.map is not None else None
        found = make_review(view, plan, lockdown=lockdown, cuts=cuts)
        lines = [f"{f.rule}: {f.found}; {f.next_step}" for f in found.findings if not f.note]
        broken = _count(len(lines), "finding") if lines else "no rule is broken"
        summary = f"{_count(len(found.assets), 'asset')} rated, {broken}"
        return {"state": FINDING if lines else FINE, "summary": summary, "lines": lines}

    def _bench(self) -> Result:
        from rootwright.bench.closure.verdict import try_each
        from rootwright.bench.subject import Subject

        subject = Subject(bench_view(self.product), self.folder)
        results = try_each(subject, subject.starts(), progress=self.progress)
        states, reaches = sum(result.states for result in results), {result.words for result in results}
        lines: list[str] = []
        for data in (result.data() for result in results):
            lines += [
                f"{data['start']}: {found['verdict']}: {found['why']}; the cut that kills: {found['place']}"
                for found in data["findings"]
            ]
        words = f"{_count(len(lines), 'start')} of {len(results)} broken" if lines else ", ".join(sorted(reaches))
        summary = f"{subject.firmware.name} under cuts, {_count(len(results), 'start')}: {words}, {states:,} states"
        return {"state": FINDING if lines else FINE, "summary": summary, "lines": list(dict.fromkeys(lines))}

    def _release_inputs(self) -> tuple[Product, ReleaseInputs, LoadedFormat | None]:
        view = release_view(self.product)
        if self._inputs is None:
            self._inputs = read_release_inputs(view, self.folder, memory_map=self._own_map())
        form = self._inputs.form
        return view, self._inputs, None if form is None else form.for_trials()

    def _release(self) -> Result:
        product, inputs, form = self._release_inputs()
        algorithm = product.keys[0].algorithm if product.keys else "ESP256"
        signer = trial_key(algorithm, 101)
        release = build_release(product, inputs.map, inputs.images, signer, like=inputs.like, form=form)
        anchor = signer.public(name="trial")
        check_envelope(release.envelope, [anchor])
        require_installable(product, inputs, release, anchor, form=form)
        total = sum(len(content) for _, content in release.files)
        summary = (
            f"release {release.sequence}: {_count(len(release.files), 'file')}, {total:,} bytes, installed by the "
        )
        return {"state": FINE, "summary": summary + "reference device (trial keys)", "lines": []}

    def _trials(self) -> Result:
        product, inputs, form = self._release_inputs()
        _, older = inputs.for_trials(product)
        report = run_trials(product, inputs.map, inputs.images, older=older, like=inputs.like, form=form)
        failed = [trial for trial in report.trials if trial.status is Status.FAILED]
        tried = sum(trial.status in (Status.PASSED, Status.FAILED) for trial in report.trials)
        lines = [f"{trial.id}: {trial.why}" for trial in failed]
        summary = f"{tried - len(failed)} of {tried} passed"
        return {"state": FINDING if failed else FINE, "summary": summary, "lines": lines}


def plugin_files(folder: Path) -> tuple[Path, ...]:
    """Return the Python files below a product's folder: whatever a plugin may import from there."""
    found = (
        path for path in folder.rglob("*.py") if not any(p.startswith(".") for p in path.relative_to(folder).parts)
    )
    return tuple(sorted(found))[:MOST_PLUGINS]


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
