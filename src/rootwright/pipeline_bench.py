"""The bench run as a stage of the dossier, and what it borrows from the other stages: a product's hostile trials."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from rootwright.bench.subject import Subject
from rootwright.bench.updates import Repacker, Update, packed_updates, trial_updates
from rootwright.describe.product import Product
from rootwright.dossier.bench import Tried
from rootwright.errors import RootwrightError
from rootwright.pipeline import ReleaseInputs, read_release_inputs
from rootwright.prove.trials import make_subject

FAULTS = 20_000
"""Faults that `rootwright assure` tries by itself: some ten seconds on one core."""

Progress = Callable[[str, int], None]


def about(subject: Subject, kind: str) -> dict[str, Any]:
    """Return what says which program a result is about, for those who read it later."""
    firmware = subject.firmware
    return {"kind": kind, "boot": firmware.name, "boot_sha256": hashlib.sha256(firmware.data).hexdigest()}


def find_updates(subject: Subject, inputs: ReleaseInputs | None = None) -> tuple[list[Update], Repacker | None, str]:
    """Return a product's hostile trials as bytes in staging, its packer under a trial key, and why there are none.

    The trials belong to the image whose staging area is where `[bench.staged]` says.

    Args:
        inputs: What its release is built from, where that is known already.
    """
    product, staged = subject.product, subject.bench.staged
    if staged is None:
        return [], None, "the product names no [bench.staged]"
    try:
        inputs = inputs or read_release_inputs(product, subject.folder)
        form, older = inputs.for_trials(product)
        trials = make_subject(product, inputs.map, inputs.images, older=older, like=inputs.like, form=form)
    except RootwrightError as error:
        return [], None, f"the hostile trials cannot be made: {error.found}"
    names = {payload.image for payload in trials.received()}
    region = next((r for r in inputs.map.regions if r.address == staged.at and r.image in names), None)
    if region is None or region.image is None:
        return [], None, f"the map stages no image of the release at 0x{staged.at:08X}"
    image, room = region.image, region.size
    found = [*trial_updates(trials, image), *packed_updates(trials, image, room)]
    return found, None if form is None else Repacker(trials, image), ""


def bench_boot(
    product: Product,
    folder: Path,
    inputs: ReleaseInputs | None = None,
    *,
    kinds: Collection[Tried] = tuple(Tried),
    faults: int = FAULTS,
    enter: Callable[[str], None],
    progress: Progress | None = None,
) -> dict[str, str]:
    """Return what the bench finds on a product's boot program within a budget, as `rootwright bench --json` prints it.

    The same files give the same results: the budget is a number of faults, and mutations, which go by the clock, are
    left out.

    Args:
        inputs: What its release is built from, where that is known already.
        kinds: What to put it under.
        faults: Faults to try at most.
        enter: Called with the name of each part before it runs.
        progress: Called now and then with what runs, and a count.

    Raises:
        BenchError: The boot program cannot be run as `[bench]` says.
    """
    from rootwright.bench.closure.verdict import try_each
    from rootwright.bench.hostile import offer_all

    subject = Subject(product, folder)
    results: dict[str, dict[str, Any]] = {}
    if Tried.CUTS in kinds:
        enter("bench: cuts")
        found = try_each(subject, subject.starts(), progress=progress)
        results["cuts"] = {"cuts": [result.data() for result in found]}
    if Tried.HOSTILE in kinds and subject.bench.staged is not None:
        enter("bench: hostile updates")
        trials, _, why = find_updates(subject, inputs)
        offered = offer_all(subject, seconds=0, clock=lambda: 0.0, trials=trials, no_trials=why, progress=progress)
        results["hostile"] = offered.data()
    if Tried.FAULTS in kinds:
        enter("bench: faults")
        results["faults"] = _faults(subject, faults, progress)
    return {
        f"bench: {kind}": json.dumps({**about(subject, kind), **data}, indent=2, ensure_ascii=False)
        for kind, data in results.items()
    }


def _faults(subject: Subject, most: int, progress: Progress | None) -> dict[str, Any]:
    from rootwright.bench.budget import fit
    from rootwright.bench.campaign import Mode, golden_for
    from rootwright.bench.pool import run_campaign
    from rootwright.bench.report import BenchReport

    goldens = [golden_for(subject, start, Mode.HOOKED) for start in subject.starts()]
    fitted = fit(subject, goldens, most)

    def tell(_: float, tried: int) -> None:
        if progress is not None:
            progress("faults", tried)

    tallies = run_campaign(subject, goldens, fitted.plans, workers=os.cpu_count() or 1, progress=tell)
    report = BenchReport(subject, Mode.HOOKED, tuple(goldens), tuple(tallies))
    return {**report.data(), "budget": fitted.words}
