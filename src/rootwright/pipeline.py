"""The stages joined: from a product and its files to results.

What only a release or its trials need is imported where they begin: a question about a plan or a verdict is answered in
about a second, and reading all of it would be a fifth of that.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from rootwright.describe.product import Attacker, ImageRole, ImageSpec, Pin, Procedure, Product
from rootwright.device.content import Kind
from rootwright.device.ground import Ground, ground_from_map, shorten_slots
from rootwright.device.procedures import demands
from rootwright.device.procedures.migration import migrating
from rootwright.device.procedures.naming import PROCEDURES, is_own_procedure, load_own_procedure
from rootwright.errors import PlanError, ProcedureError, ReleaseRefused, RootwrightError
from rootwright.image.reading import read_image
from rootwright.layout.demand import BlockRole, Demand
from rootwright.layout.map import Map, Misfit
from rootwright.plan.lockdown.build import make_lockdown
from rootwright.plan.lockdown.result import Effect, LockdownPlan, Writer
from rootwright.plan.lockdown.writers import find_writers
from rootwright.plan.result import Finding, PlanResult, ProcedurePlan
from rootwright.plan.search import find_map
from rootwright.plan.table import find_limits, find_link_mismatches, make_row
from rootwright.prove.level import Level
from rootwright.prove.proof import Proof, prove
from rootwright.prove.protecting import Closable
from rootwright.prove.shared import Shared

if TYPE_CHECKING:
    from rootwright.bring.own_format import LoadedFormat
    from rootwright.cose.keys import Verifier
    from rootwright.image.model import Image
    from rootwright.plan.existing import Judgement
    from rootwright.plan.lockdown.wishes import Granted
    from rootwright.release.build import Release

MODELLED = frozenset({Attacker.EXPLOITED_APPLICATION, Attacker.EXTERNAL_BUS})
"""Attackers that the exploration plays; what the others do is not a matter of power cuts."""

CLOSING = frozenset({Effect.NO_WRITE, Effect.NO_ACCESS})
"""What a cover does that keeps an application from writing the blocks under it."""

_PREFIX = {ImageRole.BOOT_STAGE: "boot", ImageRole.RECOVERY: "recovery"}


def plan_product(product: Product, folder: Path, *, procedure: str | None = None) -> PlanResult:
    """Return the maps and figures of all procedures, and the findings about the product's own.

    Args:
        product: The product.
        folder: Where its files are.
        procedure: The procedure to look at instead of the product's own.

    Raises:
        PlanError: The procedure is not known, or an image has neither file nor size.
        ImageError: A firmware file cannot be read.
    """
    sizes, links = _read_images(product, folder)
    all_demands = _all_demands(product, folder, sizes)
    chosen = _choose(all_demands, product, procedure).traits.name
    names = [demand.traits.name for demand in all_demands]
    plans = []
    for demand in all_demands:
        outcome = find_map(demand, product.chip)
        plans.append(ProcedurePlan(demand, outcome, make_row(demand, outcome, product, sizes)))
    own = plans[names.index(chosen)]
    findings = list(find_limits(own.demand, own.outcome, own.row, product))
    if isinstance(own.outcome, Map):
        findings += find_link_mismatches(own.outcome, product, links)
    known = {block.name for demand in all_demands for block in demand.blocks}
    findings += [
        Finding(
            "plan.pin",
            pin.block,
            f"a pin names {pin.block!r}, which no procedure has",
            f"take the pin out; {chosen} has: {', '.join(sorted(block.name for block in own.demand.blocks))}",
            note=True,
        )
        for pin in product.pins
        if pin.block not in known
    ]
    return PlanResult(
        product=f"{product.name} {product.model}",
        chip=product.chip.name,
        chosen=chosen,
        image_sizes=tuple((image.name, sizes[image.name]) for image in product.images),
        plans=tuple(plans),
        findings=tuple(findings),
    )


def judge_given_map(product: Product, folder: Path, *, procedure: str | None = None) -> Judgement:
    """Return what the map that the product's pins give is worth; no pin is moved.

    Args:
        product: The product.
        folder: Where its files are.
        procedure: The procedure to look at instead of the product's own.

    Raises:
        PlanError: The procedure is not known, or an image has neither file nor size.
        ImageError: A firmware file cannot be read.
    """
    from rootwright.plan.existing import judge_map

    sizes, links = _read_images(product, folder)
    wanted = _choose(_all_demands(product, folder, sizes), product, procedure)
    judged = judge_map(wanted, product.chip)
    findings: tuple[Finding, ...] = ()
    if {block.name for block in wanted.blocks} == {region.block for region in judged.map.regions}:
        row = make_row(wanted, judged.map, product, sizes)
        findings = find_limits(wanted, judged.map, row, product)
    return replace(judged, findings=findings + find_link_mismatches(judged.map, product, links))


def _all_demands(product: Product, folder: Path, sizes: dict[str, int]) -> tuple[Demand, ...]:
    if is_own_procedure(product.update.procedure):
        return (*demands(product, sizes), _own_demand(product, folder, sizes))
    return demands(product, sizes)


def _choose(all_demands: tuple[Demand, ...], product: Product, procedure: str | None) -> Demand:
    chosen = procedure or product.update.procedure
    for demand in all_demands:
        if demand.traits.name == chosen:
            return demand
    raise PlanError(
        f"there is no update procedure {chosen!r}",
        where="update.procedure" if procedure is None else "--procedure",
        next_step=f"use one of: {', '.join(demand.traits.name for demand in all_demands)}",
    )


def _own_demand(product: Product, folder: Path, sizes: dict[str, int]) -> Demand:
    name = product.update.procedure
    own = load_own_procedure(name, folder)
    try:
        demand = own.demand(product, sizes)
    except Exception as error:
        raise ProcedureError(
            f"demand() ended with {type(error).__name__}: {error}", where=name, next_step="mend the procedure's file"
        ) from error
    if not isinstance(demand, Demand):
        raise ProcedureError(
            f"demand() returned a {type(demand).__name__}", where=name, next_step="return a Demand of rootwright.layout"
        )
    return replace(demand, traits=replace(demand.traits, name=product.update.procedure))


def lock_down(product: Product, plan: PlanResult) -> LockdownPlan:
    """Return the lock-down of a product on the map of its plan's chosen procedure.

    Args:
        product: The product.
        plan: The result of `plan_product`.

    Raises:
        PlanError: The chosen procedure has no map, or `lock.order` names steps that do not exist.
    """
    chosen = plan.plan
    if chosen.map is None:
        reason = chosen.outcome.reason if isinstance(chosen.outcome, Misfit) else ""
        raise PlanError(
            f"no memory map for {plan.chosen}, so there is nothing to lock: {reason}",
            where="update.procedure",
            next_step="make room; `rootwright plan` compares procedures",
        )
    return make_lockdown(product, chosen.map, chosen.demand)


def grant_wishes(product: Product, plan: PlanResult, folder: Path) -> Granted:
    """Return the pins that make the lock-down's wishes on the map come true, or why no map has them all.

    The wishes only ever grow: each round pins what the lock-down of the map before asked for, until it asks no more.

    Args:
        product: The product.
        plan: The result of `plan_product`.
        folder: Where its files are.
    """
    from rootwright.plan.lockdown.wishes import Granted, pins_of

    trial = product
    pins: tuple[Pin, ...] = ()
    while True:
        locked = lock_down(trial, plan)
        map_ = plan.plan.map
        assert map_ is not None
        fresh = pins_of(trial, map_, locked.constraints)
        if not locked.constraints:
            return Granted(pins, locked.isolation, "")
        if not fresh:
            return Granted((), None, f"pinned blocks stand in the way: {locked.constraints[0].reason}")
        pins += fresh
        trial = replace(product, pins=(*(p for p in product.pins if p.block not in {f.block for f in pins}), *pins))
        plan = plan_product(trial, folder, procedure=plan.chosen)
        if isinstance(plan.plan.outcome, Misfit):
            return Granted((), None, plan.plan.outcome.reason)


def export_outputs(product: Product, plan: PlanResult) -> dict[str, bytes]:
    """Return what a build takes over from a plan: the content of each file by name.

    Raises:
        PlanError: The chosen procedure has no map.
    """
    from rootwright.plan.outputs.bundle import make_outputs

    locked = lock_down(product, plan)
    map_ = plan.plan.map
    assert map_ is not None
    return make_outputs(product.chip, map_, locked)


@dataclass(frozen=True, slots=True)
class ReleaseInputs:
    """What a release is built from, and what its trials need, beside the product and a key.

    Attributes:
        map: The map of the product's own procedure.
        images: For each updatable image its file; for a release like either-slot two, by slot.
        like: For a procedure of the user's own, which of ours its release is like; else None.
        older: Content of each image's installed version, where the product names its file; bare code.
        form: The image format of the product's own; None where images travel as they are linked.
    """

    map: Map
    images: Mapping[str, tuple[Image, ...]]
    like: str | None
    older: Mapping[str, bytes] = field(repr=False)
    form: LoadedFormat | None = None

    def for_trials(self, product: Product) -> tuple[LoadedFormat | None, dict[str, bytes]]:
        """Return the format under trial keys, and the installed version's content as a device under trial holds it."""
        form = None if self.form is None else self.form.for_trials()
        return form, self.pack_older(product, form)

    def pack_older(self, product: Product, form: LoadedFormat | None) -> dict[str, bytes]:
        """Return the installed version's content as a device holds it: packed, where there is a format for that."""
        from rootwright.release.packing import describe_image

        if form is None:
            return dict(self.older)
        packed = {}
        for name, code in self.older.items():
            spec = product.image(name)
            spec = replace(spec, version=spec.precursor_version or spec.version)
            packed[name] = form.pack(code, describe_image(spec, self.map.region(f"run:{name}").address, form.key))
        return packed


def read_release_inputs(product: Product, folder: Path, *, memory_map: Map | None = None) -> ReleaseInputs:
    """Return the map of the product's own procedure and the files of its updatable images.

    Args:
        product: The product.
        folder: Where its files are; a procedure of the user's own is loaded from there.
        memory_map: The map of its own procedure, where it is known already; by default it is planned.

    Raises:
        ReleaseRefused: The procedure has no map, or an updatable image lacks a file.
        PlanError, ProcedureError: The procedure is not known, or its class is not whole.
        PackingError: The packer or reader of the product's own is not there.
        ImageError: A firmware file cannot be read.
    """
    from rootwright.bring.own_format import load_format
    from rootwright.release.shape import erased_byte, find_shape

    memory_map = memory_map or _own_map(product, folder)
    like = None
    if is_own_procedure(product.update.procedure):
        like = getattr(load_own_procedure(product.update.procedure, folder), "release_like", None)
    two_links = find_shape(product, memory_map, like) is Procedure.EITHER_SLOT
    images = {}
    older = {}
    for spec in product.updatable_images:
        names = (spec.file, spec.second_file) if two_links else (spec.file,)
        if None in names:
            raise ReleaseRefused(
                f"image {spec.name!r} has no firmware file{' for the second slot' if spec.file else ''}",
                where=f"image.{spec.name}",
                next_step=f"name it as {'second_file' if spec.file else 'file'} in the product",
            )
        images[spec.name] = tuple(_load(spec, name, folder, second=n == 1) for n, name in enumerate(names) if name)
        if spec.precursor is not None:
            fill = erased_byte(product.chip.memory(memory_map.region(f"run:{spec.name}").memory))
            older[spec.name] = _load(spec, spec.precursor, folder).flatten(fill)
    return ReleaseInputs(memory_map, images, like, older, load_format(product.format, folder))


def _own_map(product: Product, folder: Path) -> Map:
    sizes, _ = _read_images(product, folder)
    name = product.update.procedure
    if is_own_procedure(name):
        wanted = _own_demand(product, folder, sizes)
    else:
        wanted = next(demand for demand in demands(product, sizes) if demand.traits.name == name)
    found = find_map(wanted, product.chip)
    if isinstance(found, Misfit):
        raise ReleaseRefused(
            f"no memory map for {name}: {found.reason}",
            where="update.procedure",
            next_step="make room; `rootwright plan` compares procedures",
        )
    return found


def require_installable(
    product: Product, inputs: ReleaseInputs, release: Release, anchor: Verifier, *, form: LoadedFormat | None = None
) -> None:
    """Return only if the reference device, as it is before this release, installs it and starts the new images.

    Args:
        product, inputs, release: The product, what its release was built from, and the release.
        anchor: The public key that the device trusts.
        form: The image format under other keys than the product's own, where the release was packed with those.

    Raises:
        ReleaseRefused: With what the device answered.
    """
    from rootwright.device.consumer import Anchor, Installed, consume, make_device, start

    device = make_device(
        product,
        inputs.map,
        [Anchor(anchor)],
        installed=Installed(release.sequence - 1, b""),
        images={spec.name: b"" for spec in product.updatable_images},  # what it replaces decides nothing
        machine=next((files[0].machine for files in inputs.images.values() if files[0].machine), None),
        like=inputs.like,
        form=form or inputs.form,
    )
    report = consume(release.envelope, device, {p.uri: p.content for p in release.payloads}.get)
    if not report.is_refused:
        report = start(report.device)
    if report.is_refused:
        raise ReleaseRefused(
            f"the reference device does not install this release: {report.text}",
            where=f"{report.step}, {report.detail}",
            next_step="look for what the product's images or map have that a device would refuse",
        )


def prove_product(
    product: Product,
    folder: Path,
    plan: PlanResult,
    *,
    names: tuple[str, ...] = (),
    harder: bool = True,
    images: bool = True,
    remedies: bool = True,
    progress: Callable[[str, int], None] | None = None,
    shared: Shared | None = None,
) -> tuple[Proof, ...]:
    """Return the proofs of all procedures that fit, on their planned maps with their real sectors.

    Args:
        product: The product; its write protections and attackers in scope set the level.
        folder: Where its files are.
        plan: The result of `plan_product`.
        names: Only these procedures; all that fit where empty.
        harder: Whether to look at the harder levels too.
        images: Whether a failure also comes as a flash image, with the bytes of the product's files.
        remedies: Whether to look for the write protection that stops an exploited application.
        progress: Called now and then with a procedure's name and the number of states found.
        shared: Explorations of a product that may differ a little; what is the same in them is not done again.
    """
    proofs = []
    for each in plan.plans:
        name = each.demand.traits.name
        if each.map is None or (names and name not in names):
            continue
        map_ = each.map
        make = load_own_procedure(name, folder) if is_own_procedure(name) else PROCEDURES[name]

        def report(states: int, name: str = name) -> None:
            if progress is not None:
                progress(name, states)

        def ground_of(cells: int, map_: Map = map_) -> Ground:
            return ground_from_map(product.chip, map_, cells=cells)

        def closable(map_: Map = map_, demand: Demand = each.demand) -> Closable:
            return find_closable(product, map_, demand)

        level = level_of(product, map_, each.demand)
        try:
            proof = prove(
                name,
                make,
                ground_of,
                level,
                harder=harder,
                progress=report,
                content=_Contents(product, folder, map_).find_bytes if images else None,
                closable=closable if remedies else None,
                shared=shared,
            )
        except Exception as error:
            blamed = _find_own_fault(error, name, folder)
            if blamed is None:
                raise
            raise blamed from error
        left = [
            region.block
            for region in map_.regions
            if region.block in product.protect
            and region.block not in level.protect
            and Writer.APPLICATION not in find_writers(region, map_.procedure)
        ]
        proofs.append(replace(proof, left_open=tuple(left)))
    return tuple(proofs)


def level_of(product: Product, map_: Map, demand: Demand) -> Level:
    """Return the steady level at which a product's procedure is proved on a map."""
    attackers = frozenset(product.attackers) & MODELLED
    return Level(attackers=attackers, protect=find_closed(product, map_, demand))


def find_closed(product: Product, map_: Map, demand: Demand) -> frozenset[str]:
    """Return the blocks that the lock-down keeps the application from writing, on this map.

    Those of `lock.write_protect` that the part can close, and those that it isolates. A block that the boot stage must
    write later is not closed by a lock that outlives a reset, nor one that shares a granule with an open block. A
    procedure with a way back is explored with its trial run, during which more is closed.
    """
    update = replace(product.update, trial=product.update.trial or demand.traits.way_back)
    covers = make_lockdown(replace(product, update=update), map_, demand).covers
    return frozenset(name for cover in covers if cover.effect in CLOSING for name in cover.blocks)


def find_closable(product: Product, map_: Map, demand: Demand) -> Closable:
    """Return the blocks that the part's write protection could close besides those that are closed.

    Only on the map as it lies, as for `find_closed`.
    """
    closed = find_closed(product, map_, demand)

    def fits(blocks: tuple[str, ...]) -> bool:
        return find_closed(replace(product, protect=(*product.protect, *blocks)), map_, demand).issuperset(blocks)

    open_ = [region.block for region in map_.regions if region.block not in closed]
    return Closable(tuple(block for block in open_ if fits((block,))), fits)


def prove_migrations(
    product: Product,
    folder: Path,
    plan: PlanResult,
    *,
    harder: bool = True,
    images: bool = True,
    progress: Callable[[str, int], None] | None = None,
    shared: Shared | None = None,
) -> tuple[Proof, ...]:
    """Return the proof of each declared migration of a keep-area, around the product's own procedure on its map.

    The slots are cut to their first sectors: what is asked is whether each version finds its data, and the procedure by
    itself is proved at full length by `prove_product`.

    Args:
        product, folder, plan, harder, images, progress, shared: As for `prove_product`.
    """
    map_ = plan.plan.map
    if map_ is None:
        return ()
    name = plan.chosen
    make = migrating(load_own_procedure(name, folder) if is_own_procedure(name) else PROCEDURES[name])
    level = level_of(product, map_, plan.plan.demand)
    content = _Contents(product, folder, map_).find_bytes if images else None
    short = shorten_slots(map_, product.chip)
    proofs = []
    for keep in product.keep:
        if keep.migrate is None:
            continue
        title = f"{name}, {keep.name} {keep.migrate.before} to {keep.migrate.after}"

        def ground_of(cells: int, migrates: str = keep.name) -> Ground:
            return ground_from_map(product.chip, short, cells=cells, migrates=migrates)

        def report(states: int, title: str = title) -> None:
            if progress is not None:
                progress(title, states)

        try:
            proof = prove(title, make, ground_of, level, harder=harder, progress=report, content=content, shared=shared)
        except Exception as error:
            blamed = _find_own_fault(error, name, folder)
            if blamed is None:
                raise
            raise blamed from error
        proofs.append(replace(proof, migrates=keep.name))
    return tuple(proofs)


def _find_own_fault(error: Exception, name: str, folder: Path) -> ProcedureError | None:
    """Return an error with the line in a procedure of the user's own where another error came from, None elsewhere."""
    if isinstance(error, RootwrightError) or not is_own_procedure(name):
        return None
    file = (folder / f"{name.partition(':')[0]}.py").resolve()
    frames = traceback.extract_tb(error.__traceback__)
    lines = [frame.lineno for frame in frames if Path(frame.filename).resolve() == file]
    if not lines:
        return None
    where = f"{file.name}, line {lines[-1]}"
    return ProcedureError(f"{type(error).__name__}: {error}", where=where, next_step="mend the procedure")


class _Contents:
    """The bytes of the newer and the current version of each block, read from the product's files when asked for."""

    def __init__(self, product: Product, folder: Path, map_: Map) -> None:
        self.product = product
        self.folder = folder
        self.map = map_
        # Packed with a key that everyone may know: a story of a failure is no occasion to use a real one.
        self.form: LoadedFormat | None = None
        if product.format is not None:
            from rootwright.bring.own_format import load_format

            form = load_format(product.format, folder)
            self.form = form if form is None or not form.own.trial_keys else form.for_trials()
        self.read: dict[tuple[str, Kind], bytes | None] = {}

    def find_bytes(self, block: str, kind: Kind, offset: int, size: int) -> bytes | None:
        """Return `size` bytes of a block's content, None where the product has no file for it."""
        key = (block, kind)
        if key not in self.read:
            self.read[key] = self._load(block, kind)
        whole = self.read[key]
        return None if whole is None else whole[offset : offset + size]

    def _load(self, block: str, kind: Kind) -> bytes | None:
        region = self.map.region(block)
        if region.role is BlockRole.KEEP:
            file = next((k.file for k in self.product.keep if f"keep:{k.name}" == block), None)  # a spare has none
            base = region.address if file is not None and file.suffix == ".bin" else None  # other formats say it
        elif region.image is None:
            return None
        else:
            spec = self.product.image(region.image)
            second = block.startswith("second:")
            base = spec.base
            file = {
                Kind.NEXT: spec.second_file if second else spec.file,
                Kind.CURRENT: spec.precursor_second if second else spec.precursor,
                Kind.PERMANENT: spec.file,
            }.get(kind)
        if file is None:
            return None
        from rootwright.release.packing import describe_image
        from rootwright.release.shape import erased_byte

        image = read_image((self.folder / file).read_bytes(), name=str(file), base=base)
        fill = erased_byte(self.product.chip.memory(region.memory))
        content = image.flatten(fill)
        if region.image is not None and self.form is not None:
            spec = self.product.image(region.image)
            if spec.updatable:
                version = spec.precursor_version if kind is Kind.CURRENT else spec.version
                about = describe_image(replace(spec, version=version), region.address, self.form.key)
                return self.form.pack(content, about)
        return bytes([fill]) * region.header + content


def _read_images(product: Product, folder: Path) -> tuple[dict[str, int], list[tuple[str, str, int, int]]]:
    """Return bytes per image, and (block, file, start, end) for each file."""
    sizes: dict[str, int] = {}
    links: list[tuple[str, str, int, int]] = []
    for image in product.images:
        size = 0
        first = _PREFIX.get(image.role, f"run:{image.name}")
        for block, file in ((first, image.file), (f"second:{image.name}", image.second_file)):
            if file is not None:
                span = _read(image, file, folder)
                size = max(size, span[1] - span[0])
                links.append((block, str(file), *span))
        if not size:
            if image.size is None:
                raise PlanError(
                    f"image {image.name!r} has neither a file nor a size",
                    where=f"image.{image.name}",
                    next_step="name its file, or state a size while planning ahead",
                )
            size = image.size - image.around_bytes
        sizes[image.name] = size
    return sizes, links


def _read(image: ImageSpec, file: PurePosixPath, folder: Path) -> tuple[int, int]:
    read = _load(image, file, folder)
    return read.start, read.end


def _load(image: ImageSpec, file: PurePosixPath, folder: Path, *, second: bool = False) -> Image:
    return read_image((folder / file).read_bytes(), name=str(file), base=None if second else image.base)
