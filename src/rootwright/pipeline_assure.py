"""All stages run on one product, with the digests of every file they read: the evidence of a dossier."""

from __future__ import annotations

import hashlib
import shlex
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

from rootwright import __version__
from rootwright.bench.emulator import find_missing
from rootwright.describe.loading import load_product, profile_names, profile_text
from rootwright.describe.product import Product
from rootwright.device.ground import Ground, ground_from_map, shorten_slots
from rootwright.device.procedures.naming import is_own_procedure
from rootwright.dossier.bench import BenchRun, Tried, read_bench_result
from rootwright.dossier.evidence import Evidence, NotDone, SignedRelease, TestedFile
from rootwright.errors import FormatError, ImageError, PackingError, PlanError, ReleaseRefused, RootwrightError
from rootwright.keys.file import load_signer, make_demo_key
from rootwright.pipeline import (
    ReleaseInputs,
    lock_down,
    plan_product,
    prove_migrations,
    prove_product,
    read_release_inputs,
)
from rootwright.pipeline_bench import FAULTS, bench_boot
from rootwright.pipeline_review import compare_parts, cut_verdict, read_bench_report
from rootwright.plan.lockdown.result import LockdownPlan
from rootwright.plan.result import PlanResult
from rootwright.plan.root_of_trust import find_gaps, judge_part
from rootwright.prove.level import Level
from rootwright.prove.proof import Proof
from rootwright.prove.teeth import BrokenResult, check_broken
from rootwright.prove.trials import TrialReport, run_trials
from rootwright.release.build import build_release
from rootwright.review.rate import make_review
from rootwright.suit.inspection import inspect_envelope

Stage = Callable[[str], None]
Progress = Callable[[str, int], None]


def assure_product(
    product_file: Path,
    *,
    bench: Mapping[str, str] | None = None,
    faults: int = FAULTS,
    on_stage: Stage | None = None,
    progress: Progress | None = None,
) -> Evidence:
    """Return what every stage says of a product; the same files give the same evidence.

    Nothing is written but a demonstration key that is not there yet. A stage that cannot run because an earlier one
    refused is reported as not done, never as passed.

    Args:
        product_file: The product file; other files are found beside it.
        bench: Texts that `rootwright bench --json` printed, by the name of their file. What they leave untried is run
            here, where the product has a table `[bench]`.
        faults: How many faults are tried here at most; with 0 the bench is not run here at all.
        on_stage: Called with the name of each stage before it runs, for the edge to show and to time.
        progress: Called now and then with a procedure's name and the number of states found.

    Raises:
        RootwrightError: The product cannot be read or planned, a file changed while it was tested, or a bench result
            is about another build of the boot program.
    """
    enter = on_stage or (lambda _: None)
    folder = product_file.parent
    enter("check")
    product = load_product(product_file)
    files = digest_files(product, product_file)
    texts = dict(bench or {})
    runs = _bench_runs(texts, files)
    part, gaps = judge_part(product.chip), find_gaps(product)
    enter("plan")
    plan = plan_product(product, folder)
    enter("release")
    inputs = _read_inputs(product, folder)
    release = inputs if isinstance(inputs, NotDone) else _release(product, folder, inputs)
    proofs: tuple[Proof, ...] = ()
    for name in [p.demand.traits.name for p in plan.plans if p.map is not None]:
        enter(f"prove {name}")
        proofs += prove_product(product, folder, plan, names=(name,), progress=progress)
    if any(keep.migrate for keep in product.keep):
        enter("prove migrations")
        proofs += prove_migrations(product, folder, plan, progress=progress)
    enter("broken variants")
    broken = _broken(product, plan, progress)
    enter("trials")
    trials = inputs if isinstance(inputs, NotDone) else _trials(product, inputs)
    if faults and product.bench is not None and find_missing() is None:
        tried_already = {run.tried for run in runs.values()}
        kinds = [tried for tried in Tried if tried not in tried_already]
        found = None if isinstance(inputs, NotDone) else inputs
        texts |= bench_boot(product, folder, found, kinds=kinds, faults=faults, enter=enter, progress=progress)
        runs = _bench_runs(texts, files)
    enter("lock-down")
    lockdown = _lock_down(product, plan)
    enter("review")
    planned = None if isinstance(lockdown, NotDone) else lockdown
    own = next((proof for proof in proofs if proof.procedure == plan.chosen), None)
    report = next((texts[name] for name, run in runs.items() if run.tried is Tried.FAULTS), None)
    tried = None if report is None else read_bench_report(report)
    review = make_review(product, plan, lockdown=planned, cuts=cut_verdict(own), bench=tried)
    enter("other parts")
    parts = compare_parts(product, folder)
    enter("digests")
    released = _made_files(release)
    if digest_files(product, product_file) != files:
        raise ImageError(
            "a file of the product changed while it was tested",
            where=str(product_file),
            next_step="run again when nothing writes to it",
        )
    return Evidence(
        version=__version__,
        command=f"rootwright assure {shlex.quote(product_file.name)} --out dossier",
        product=product,
        files=(*files, *released),
        part=part,
        gaps=gaps,
        plan=plan,
        proofs=proofs,
        broken=broken,
        release=release,
        trials=trials,
        lockdown=lockdown,
        review=review,
        parts=parts,
        bench=tuple(runs.values()),
    )


def _bench_runs(texts: Mapping[str, str], files: tuple[TestedFile, ...]) -> dict[str, BenchRun]:
    """Return what bench results say, by the name of their file, once it is sure that they are about these files."""
    known = {file.sha256 for file in files}
    runs = {name: read_bench_result(text, name=name) for name, text in texts.items()}
    for name, run in runs.items():
        if run.sha256 not in known:
            raise FormatError(
                f"the result is about another build of {run.boot}, SHA-256 {run.sha256[:16]}...",
                where=name,
                next_step="run the bench again on the boot program that the product file names",
            )
    return runs


def _read_inputs(product: Product, folder: Path) -> ReleaseInputs | NotDone:
    try:
        return read_release_inputs(product, folder)
    except ReleaseRefused as error:
        return NotDone(error.found, error.where, error.next_step)


def _release(product: Product, folder: Path, inputs: ReleaseInputs) -> SignedRelease | NotDone:
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    if not product.keys:
        return NotDone("the product names no key", "key", "add a [[key]] table")
    key = product.keys[0]
    path = folder / key.file
    try:
        if key.demo:
            make_demo_key(path, key.algorithm)
        signer = load_signer(path, key.algorithm, allow_demo=key.demo)
        release = build_release(product, inputs.map, inputs.images, signer, like=inputs.like, form=inputs.form)
    except RootwrightError as error:
        return NotDone(error.found, str(key.file) if error.where == str(path) else error.where, error.next_step)
    anchor = signer.public(name=key.name)
    return SignedRelease(
        release=release,
        inspection=inspect_envelope(release.envelope, [anchor]),
        key_name=key.name,
        algorithm=key.algorithm,
        key=hashlib.sha256(
            signer.key.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
        ).hexdigest(),
        demo=key.demo,
    )


def _lock_down(product: Product, plan: PlanResult) -> LockdownPlan | NotDone:
    try:
        return lock_down(product, plan)
    except PlanError as error:
        return NotDone(error.found, error.where, error.next_step)


def _trials(product: Product, inputs: ReleaseInputs) -> TrialReport | NotDone:
    try:
        form, older = inputs.for_trials(product)
        return run_trials(product, inputs.map, inputs.images, older=older, like=inputs.like, form=form)
    except (ReleaseRefused, PackingError) as error:
        return NotDone(error.found, error.where, error.next_step)


def _broken(product: Product, plan: PlanResult, progress: Progress | None) -> tuple[BrokenResult, ...]:
    """Explore the broken variants of every procedure that fits, on its map with the slots cut short."""
    maps = {each.demand.traits.name: each.map for each in plan.plans}

    def ground_of(base: str) -> Ground | None:
        map_ = maps.get(base)
        return None if map_ is None else ground_from_map(product.chip, shorten_slots(map_, product.chip), cells=2)

    return check_broken(ground_of, Level(cells=2, max_cuts=2), progress=progress)


def digest_files(product: Product, product_file: Path) -> tuple[TestedFile, ...]:
    """Return name, size and SHA-256 of every file that a product is made from; private keys are left out.

    Raises:
        OSError: A file cannot be read.
    """
    folder = product_file.parent
    text = product_file.read_bytes()
    found = [_tested(product_file.name, "product file", text), _part_file(text, folder)]
    if is_own_procedure(product.update.procedure):
        name = product.update.procedure.partition(":")[0] + ".py"
        found.append(_tested(name, "update procedure of the product's own", (folder / name).read_bytes()))
    if product.format is not None:
        functions = [name for name in (product.format.packer, product.format.reader) if isinstance(name, str)]
        names = dict.fromkeys(f"{function.partition(':')[0]}.py" for function in functions)
        found += [_tested(name, "image format of the product's own", (folder / name).read_bytes()) for name in names]
    named: dict[str, str] = {}
    for image in product.images:
        what = f"{image.name} {image.version}"
        older = f"{image.name} {image.precursor_version or 'installed version'}".rstrip()
        for file, use in (
            (image.file, what),
            (image.second_file, f"{what}, second slot"),
            (image.precursor, f"{older}, installed version"),
            (image.precursor_second, f"{older}, installed version, second slot"),
        ):
            if file is not None:
                named.setdefault(str(file), use)
    for keep in product.keep:
        if keep.file is not None:
            named.setdefault(str(keep.file), f"keep-area {keep.name}")
    found += [_tested(name, use, (folder / name).read_bytes()) for name, use in named.items()]
    return tuple(found)


def _part_file(product_text: bytes, folder: Path) -> TestedFile:
    chip = str(tomllib.loads(product_text.decode())["product"]["chip"]).strip()
    if chip in profile_names():
        return _tested(f"profile {chip}", "part, packaged with the tool", profile_text(chip).encode())
    return _tested(chip, "part file", (folder / chip).read_bytes())


def _made_files(release: SignedRelease | NotDone) -> tuple[TestedFile, ...]:
    if isinstance(release, NotDone):
        return ()
    return tuple(_tested(name, "made here, part of the release", content) for name, content in release.release.files)


def _tested(name: str, what: str, content: bytes) -> TestedFile:
    return TestedFile(name, what, len(content), hashlib.sha256(content).hexdigest())
