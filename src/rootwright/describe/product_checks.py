"""What a product file must satisfy beyond its single fields: names, pins, links, files on disk."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path, PurePosixPath

from rootwright.describe.attack_file import check_steps
from rootwright.describe.bench_checks import bench_checks
from rootwright.describe.chip import Chip, Memory, MemoryKind
from rootwright.describe.forms import Form, UnreadableField, run_checks
from rootwright.describe.own_format_file import format_checks
from rootwright.describe.problems import Fault, KeyPath, did_you_mean, listed, shown
from rootwright.describe.product import ImageRole, Procedure
from rootwright.describe.product_file import ImageForm, KeepForm, PinForm, ProductForm
from rootwright.describe.units import address_words, size_words

PERMANENT = (ImageRole.BOOT_STAGE, ImageRole.RECOVERY)
SINGLE_BLOCKS = ("boot", "boot-copy", "recovery", "journal", "requests", "selector", "floor", "keys", "lift")
MOST_TABLES = 256
"""More images, keep-areas or pins than any product has; keeps a hostile file from costing time."""
RAW_SUFFIXES = (".bin", ".raw")


def block_names(product: ProductForm) -> tuple[str, ...]:
    """Return the names of all blocks that a map of this product can have."""
    images = [image.name for image in product.image if image.role not in PERMANENT]
    slots = [f"{part}:{image}" for image in images for part in ("run", "stage", "second")]
    moving = [f"{part}:{keep.name}" for keep in product.keep if keep.migrate for part in ("spare", "schema")]
    return (*SINGLE_BLOCKS, *slots, *(f"keep:{keep.name}" for keep in product.keep), *moving)


def check_product(
    form: ProductForm, chip: Chip | None, folder: Path | None, *, check_places: bool = True
) -> list[Fault]:
    """Return every contradiction in a product file.

    Args:
        form: The file's content; checks that need an unreadable field are left out.
        chip: The part; None where it could not be read, then nothing is checked against it.
        folder: Where the named firmware files must exist; None leaves that out.
        check_places: Whether pinned places must be sound; without it the map check judges them.
    """
    images = _items(form, "image")
    keeps = _items(form, "keep")
    pins = _items(form, "pin")
    checks: list[Iterator[Fault]] = [_roles(form)]
    for table, key in (("image", "name"), ("keep", "name"), ("key", "name"), ("pin", "block"), ("assumption", "id")):
        checks += [_unique(form, table, key), _too_many(form, table)]
    checks += [_unique_words(form, "lock", "write_protect"), _unique_words(form, "attackers", "in_scope")]
    checks += [_unique_words(form, "lock", "secret"), _unique_words(form, "lock", "order")]
    checks += [_unique_words(form, "review", "measures"), _own_steps(form)]
    for index, image in enumerate(images):
        path: KeyPath = ("image", index)
        checks += [
            _content(path, image),
            _second(path, image),
            _precursor(path, image),
            _permanent(path, image),
            _raw(path, image),
            _room(path, image),
        ]
    checks += [_keep_size(("keep", index), keep) for index, keep in enumerate(keeps)]
    checks += [_migrate(("keep", index, "migrate"), keep) for index, keep in enumerate(keeps)]
    checks += [_pin_says(("pin", index), pin) for index, pin in enumerate(pins)]
    checks += _own_format(form)
    checks += [_blocks(form), _twice_pinned(form), _watchdog(form)]
    if chip is not None:
        checks += [_staging(form, chip), _floor(form, chip)]
        checks += [_view(("image", index), image, chip) for index, image in enumerate(images)]
        for table, items in (("image", images), ("keep", keeps), ("pin", pins)):
            for index, item in enumerate(items):
                checks.append(_memory_name((table, index), item, chip))
                if check_places:
                    checks += [_place((table, index), item, chip), _whole_sectors((table, index), item, chip)]
        checks += [_spare(("keep", index, "migrate"), keep, chip) for index, keep in enumerate(keeps)]
        if check_places:
            checks.append(_overlaps(form))
    if folder is not None:
        checks += [_files(("image", i), image, _IMAGE_FILES, folder) for i, image in enumerate(images)]
        checks += [_files(("keep", i), keep, ("file",), folder) for i, keep in enumerate(keeps)]
    try:
        if form.bench is not None:
            checks += bench_checks(form.bench, chip, folder)
    except UnreadableField:
        pass  # The field has its own mistake already.
    return run_checks(checks)


def _own_format(form: ProductForm) -> list[Iterator[Fault]]:
    try:
        return format_checks(form.boot)
    except UnreadableField:
        return []


_IMAGE_FILES = ("file", "second_file", "precursor", "precursor_second")


def _items(form: ProductForm, table: str) -> list:  # type: ignore[type-arg]
    try:
        return list(getattr(form, table))[:MOST_TABLES]
    except UnreadableField:
        return []


def _too_many(form: ProductForm, table: str) -> Iterator[Fault]:
    count = len(getattr(form, table))
    if count > MOST_TABLES:
        yield Fault((table,), f"{count} tables", f"at most {MOST_TABLES}")


def _unique(form: ProductForm, table: str, key: str) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, item in enumerate(_items(form, table)):
        try:
            name = getattr(item, key)
        except UnreadableField:
            continue
        if name in seen:
            yield Fault((table, index, key), f"{shown(name)} a second time", f"a different {key} in each [[{table}]]")
        seen.add(name)


def _unique_words(form: ProductForm, table: str, key: str) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, word in enumerate(getattr(getattr(form, table), key)):
        if word in seen:
            yield Fault((table, key, index), f"{shown(str(word))} a second time", "each one once")
        seen.add(word)


def _own_steps(form: ProductForm) -> Iterator[Fault]:
    yield from check_steps(("review", "steps"), form.review.steps, needs_rater=True)


def _roles(form: ProductForm) -> Iterator[Fault]:
    roles = [image.role for image in form.image]
    for role in PERMANENT:
        for index in [i for i, r in enumerate(roles) if r is role][1:]:
            yield Fault(("image", index, "role"), f"a second {role.value}", f"one {role.value} in a product")
    if ImageRole.BOOT_STAGE not in roles:
        yield Fault(("image",), "no boot stage", 'one [[image]] with role = "boot stage"')
    if all(role in PERMANENT for role in roles):
        yield Fault(("image",), "no image that updates replace", 'at least one [[image]] with role = "application"')
    if form.update.procedure == Procedure.RECOVERY_IMAGE and ImageRole.RECOVERY not in roles:
        expected = 'one [[image]] with role = "recovery image", because update.procedure = "recovery-image"'
        yield Fault(("image",), "no recovery image", expected)


def _content(path: KeyPath, image: ImageForm) -> Iterator[Fault]:
    if image.file is None and image.size is None:
        yield Fault((*path, "file"), "neither file nor size", "the image's file, or its size while planning ahead")


def _second(path: KeyPath, image: ImageForm) -> Iterator[Fault]:
    for first, second in (("file", "second_file"), ("precursor", "precursor_second")):
        a, b = getattr(image, first), getattr(image, second)
        if b is not None and a is None:
            yield Fault(
                (*path, second), f"{second} without {first}", f"{first} as well: the first slot's link comes first"
            )
        elif b is not None and a == b:
            yield Fault(
                (*path, second),
                shown(str(b)),
                f"another file than {first}: the same version linked for the second slot",
            )


def _precursor(path: KeyPath, image: ImageForm) -> Iterator[Fault]:
    if image.precursor is not None and image.precursor_version is None:
        yield Fault(
            (*path, "precursor_version"), "nothing", "the installed version's number, because precursor is given"
        )
    elif image.precursor is None and image.precursor_version is not None:
        yield Fault((*path, "precursor"), "nothing", "the installed version's file, because precursor_version is given")
    if image.precursor is not None and image.precursor == image.file:
        yield Fault((*path, "precursor"), shown(str(image.precursor)), "another file than the new version's")
    if image.precursor_version is not None:
        new, old = _numbers(image.version), _numbers(image.precursor_version)
        if old >= new:
            yield Fault(
                (*path, "precursor_version"),
                shown(image.precursor_version),
                f"a version below the new one ({image.version})",
                "are the two swapped?" if old > new else "",
            )


def _numbers(version: str) -> tuple[int, ...]:
    return tuple((*map(int, version.split(".")), 0, 0, 0, 0))[:4]


def _permanent(path: KeyPath, image: ImageForm) -> Iterator[Fault]:
    if image.role not in PERMANENT:
        return
    for key in ("second_file", "precursor", "precursor_second"):
        if getattr(image, key) is not None:
            yield Fault((*path, key), f"{key} for a {image.role.value}", "nothing: no update replaces this image")


def _raw(path: KeyPath, image: ImageForm) -> Iterator[Fault]:
    raw = image.file is not None and image.file.suffix.lower() in RAW_SUFFIXES
    if raw and image.base is None:
        yield Fault(
            (*path, "base"), "nothing", f"the load address, because {shown(str(image.file))} is a raw binary file"
        )
    if image.base is not None and image.file is not None and image.file.suffix.lower() in (".elf", ".axf", ".hex"):
        expected = f"nothing: {shown(str(image.file))} holds its own addresses"
        yield Fault((*path, "base"), address_words(image.base), expected)


def _room(path: KeyPath, spec: ImageForm) -> Iterator[Fault]:
    around = spec.header + spec.trailer
    if spec.size is not None and spec.size <= around:
        expected = f"more than header and trailer together ({size_words(around)})"
        yield Fault((*path, "size"), size_words(spec.size), expected)


def _keep_size(path: KeyPath, keep: KeepForm) -> Iterator[Fault]:
    if keep.size == 0:
        yield Fault((*path, "size"), "0", "the bytes that the data needs")


def _migrate(path: KeyPath, keep: KeepForm) -> Iterator[Fault]:
    if keep.migrate is not None and keep.migrate.after <= keep.migrate.before:
        yield Fault(
            (*path, "after"),
            str(keep.migrate.after),
            f"a schema number above {keep.migrate.before}, the one before",
            "a form that stays needs no migration",
        )


def _spare(path: KeyPath, keep: KeepForm, chip: Chip) -> Iterator[Fault]:
    if keep.migrate is not None:
        yield from _memory_name(path, keep.migrate, chip)
        yield from _place(path, keep.migrate, chip)


def _pin_says(path: KeyPath, pin: PinForm) -> Iterator[Fault]:
    if pin.at is None and pin.size is None and pin.memory is None:
        yield Fault(path, "a pin that decides nothing", "at, size or memory")
    if pin.size == 0:
        yield Fault((*path, "size"), "0", "whole sectors")


def _blocks(form: ProductForm) -> Iterator[Fault]:
    if ":" in form.update.procedure:
        return  # The product's own procedure may ask for blocks of its own.
    names = block_names(form)
    expected = f"a block of this product: {listed(names)}"
    for index, pin in enumerate(_items(form, "pin")):
        try:
            block = pin.block
        except UnreadableField:
            continue
        if block not in names:
            yield Fault(("pin", index, "block"), shown(block), expected, did_you_mean(block, names))
    for key, blocks in (("write_protect", form.lock.write_protect), ("secret", form.lock.secret)):
        for index, block in enumerate(blocks):
            if block not in names:
                yield Fault(("lock", key, index), shown(block), expected, did_you_mean(block, names))


def image_block(image: ImageForm) -> str:
    """Return the name of the block that an image's own pins are about."""
    if image.role is ImageRole.BOOT_STAGE:
        return "boot"
    return "recovery" if image.role is ImageRole.RECOVERY else f"run:{image.name}"


def _twice_pinned(form: ProductForm) -> Iterator[Fault]:
    own = {image_block(image): image for image in form.image} | {f"keep:{keep.name}": keep for keep in form.keep}
    for index, pin in enumerate(form.pin):
        item = own.get(pin.block)
        if item is None:
            continue
        for key in ("at", "size", "memory"):
            here, there = getattr(pin, key), getattr(item, key)
            if here is None or there is None or here == there or (key == "size" and isinstance(item, KeepForm)):
                continue
            words = shown(here) if isinstance(here, str) else address_words(here) if key == "at" else size_words(here)
            other = (
                shown(there) if isinstance(there, str) else address_words(there) if key == "at" else size_words(there)
            )
            yield Fault(
                ("pin", index, key), words, f"the same as in the table of {shown(item.name)} ({other}), or only one"
            )


def _watchdog(form: ProductForm) -> Iterator[Fault]:
    if form.update.watchdog == 0:
        yield Fault(("update", "watchdog"), "0", "a period above zero; leave it out where there is no watchdog")


def _staging(form: ProductForm, chip: Chip) -> Iterator[Fault]:
    names = [memory.name for memory in chip.memories if memory.kind in (MemoryKind.FLASH, MemoryKind.EXTERNAL)]
    if form.update.staging is not None and form.update.staging not in names:
        yield Fault(
            ("update", "staging"),
            shown(form.update.staging),
            f"a memory of the part that can hold an image: {listed(names)}",
            did_you_mean(form.update.staging, names),
        )


def _floor(form: ProductForm, chip: Chip) -> Iterator[Fault]:
    names = [memory.name for memory in chip.memories if memory.kind is MemoryKind.ONE_TIME]
    floor = form.update.floor
    if floor is not None and floor not in names:
        expected = f"one-time words of the part: {listed(names) if names else 'it has none'}"
        yield Fault(("update", "floor"), shown(floor), expected, did_you_mean(floor, names))


def _view(path: KeyPath, image: ImageForm, chip: Chip) -> Iterator[Fault]:
    names = [view.name for view in chip.views if view.executes]
    if image.view is not None and image.view not in names:
        expected = f"a view that code runs through: {listed(names) if names else 'the part has none'}"
        yield Fault((*path, "view"), shown(image.view), expected, did_you_mean(image.view, names))


def _memory_name(path: KeyPath, item: Form, chip: Chip) -> Iterator[Fault]:
    name: str | None = getattr(item, "memory")  # noqa: B009 - image, keep-area and pin share these fields
    names = [memory.name for memory in chip.memories]
    if name is not None and name not in names:
        yield Fault((*path, "memory"), shown(name), f"a memory of the part: {listed(names)}", did_you_mean(name, names))


def _find_memory(item: Form, chip: Chip) -> Memory | None:
    """Return the memory an item's address lies in, else the one it names, else None."""
    at, name = getattr(item, "at"), getattr(item, "memory")  # noqa: B009
    for memory in chip.memories:
        if (at is not None and memory.base <= at < memory.end) or (at is None and memory.name == name):
            return memory
    return None


def _place(path: KeyPath, item: Form, chip: Chip) -> Iterator[Fault]:
    at: int | None = getattr(item, "at")  # noqa: B009
    if at is None:
        return
    memory = _find_memory(item, chip)
    if memory is None:
        spans = ", ".join(f"{m.name} {address_words(m.base)} to {address_words(m.end - 1)}" for m in chip.memories)
        yield Fault((*path, "at"), address_words(at), f"an address in a memory of the part: {spans}")
        return
    if memory.kind is MemoryKind.RAM:
        yield Fault((*path, "at"), f"{address_words(at)} in RAM", "an address in a memory that keeps its content")
        return
    named: str | None = getattr(item, "memory")  # noqa: B009
    if named is not None and named != memory.name:
        where = f"{address_words(at)}, which is in {shown(memory.name)}"
        yield Fault((*path, "at"), where, f"an address in {shown(named)}")
    bounds = [sector.address for sector in memory.sectors()]
    if at not in bounds:
        below = max(b for b in bounds if b <= at)
        above = min((b for b in bounds if b > at), default=below)
        near = f"the nearest are {address_words(below)} and {address_words(above)}"
        yield Fault((*path, "at"), address_words(at), f"the start of a sector of {shown(memory.name)}", near)


def _whole_sectors(path: KeyPath, item: Form, chip: Chip) -> Iterator[Fault]:
    size: int | None = getattr(item, "size")  # noqa: B009
    if not size or isinstance(item, KeepForm):
        return
    memory = _find_memory(item, chip)
    at: int | None = getattr(item, "at")  # noqa: B009
    if memory is not None and at is not None:
        ends = [sector.end for sector in memory.sectors() if sector.address >= at]
        if at + size > memory.end:
            room = size_words(memory.end - at)
            yield Fault((*path, "size"), size_words(size), f"at most {room}: there {shown(memory.name)} ends")
        elif ends and at + size not in ends:
            more = min(end for end in ends if end > at + size) - at
            yield Fault(
                (*path, "size"),
                size_words(size),
                f"whole sectors of {shown(memory.name)}",
                f'the next larger one is "{size_words(more)}"',
            )
        return
    memories = [memory] if memory else [m for m in chip.memories if m.kind in (MemoryKind.FLASH, MemoryKind.EXTERNAL)]
    sectors = sorted({run.size for m in memories for run in m.runs})
    if sectors and all(size % sector for sector in sectors):
        more = -(-size // sectors[0]) * sectors[0]
        expected = f"whole sectors: a multiple of {size_words(sectors[0])}"
        yield Fault((*path, "size"), size_words(size), expected, f'the next larger one is "{size_words(more)}"')


def _overlaps(form: ProductForm) -> Iterator[Fault]:
    """Compare all blocks whose place and size are both decided, in whichever table each of the two stands."""
    starts: dict[str, tuple[int, KeyPath]] = {}
    sizes: dict[str, int] = {}
    for table in ("image", "keep", "pin"):
        for index, item in enumerate(_items(form, table)):
            try:
                block = item.block if table == "pin" else image_block(item) if table == "image" else f"keep:{item.name}"
                if item.at is not None:
                    starts.setdefault(block, (item.at, (table, index, "at")))
                if item.size:
                    sizes.setdefault(block, item.size)
            except UnreadableField:
                continue
    spans = [(block, at, at + sizes[block], path) for block, (at, path) in starts.items() if block in sizes]
    for (a, a_start, a_end, _), (b, b_start, b_end, path) in combinations(spans, 2):
        if "second" in a.split(":") or "second" in b.split(":"):
            continue  # Either-slot's blocks take the place of another procedure's staging.
        if a_start < b_end and b_start < a_end:
            yield Fault(
                path,
                f"{shown(b)} at {address_words(b_start)}, which overlaps {shown(a)}",
                "blocks that share no address",
                f"{shown(a)} takes {address_words(a_start)} to {address_words(a_end - 1)}",
            )


def _files(path: KeyPath, item: Form, keys: tuple[str, ...], folder: Path) -> Iterator[Fault]:
    for key in keys:
        yield from run_checks([_file((*path, key), item, key, folder)])


def _file(path: KeyPath, item: Form, key: str, folder: Path) -> Iterator[Fault]:
    name: PurePosixPath | None = getattr(item, key)
    if name is None:
        return
    try:
        if (folder / name).is_file():
            return
        is_folder = (folder / name).is_dir()
        beside = (folder / name).parent
        names = sorted(entry.name for entry in beside.iterdir()) if beside.is_dir() else None
    except OSError as error:
        yield Fault(path, f"{shown(str(name))}, which cannot be reached ({error.strerror})", "an existing file")
        return
    if is_folder:
        yield Fault(path, f"{shown(str(name))}, which is a folder", "a file")
        return
    near = difflib.get_close_matches(name.name, names or (), n=1)
    suggestion = f'did you mean "{name.parent / near[0]}"?' if near else ""
    if names is None:
        suggestion = f"there is no folder {shown(str(name.parent))} beside the product file"
    yield Fault(path, f"{shown(str(name))}, which does not exist", "an existing file", suggestion)
