"""One round of a watch: every stage run or taken from the work folder; and which files to look at for the next one."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from rootwright.bench.emulator import INSTALL, find_missing
from rootwright.describe.loading import load_product
from rootwright.describe.open_points import open_points_of
from rootwright.describe.problems import DescriptionProblems
from rootwright.describe.product import Product
from rootwright.errors import RootwrightError
from rootwright.watch.stages import BAD, WAITS, Result, Stage, Stages, plugin_files
from rootwright.work_folder import WorkFolder, digest_of, stage_key, watched_reading

NAMES = ("check", "plan", "prove", "lockdown", "review", "release", "trials")
MOST_FILES = 2000


@dataclass(frozen=True, slots=True)
class StageRow:
    """What came of one stage.

    Attributes:
        state: "fine", "finding", "bad" or "waits".
        summary: In one line.
        lines: What to mend.
        kept: Whether it came from the work folder; False where it was run, or did not get that far.
        ran: Whether it was run.
    """

    name: str
    state: str
    summary: str
    lines: tuple[str, ...] = ()
    kept: bool = False
    ran: bool = False


@dataclass(frozen=True, slots=True)
class Round:
    """All stages of one round.

    Attributes:
        files: Files whose change asks for the next round; also those that are missing.
    """

    rows: tuple[StageRow, ...]
    files: tuple[Path, ...]

    @property
    def exit_code(self) -> int:
        """2 where something is bad, 1 where something was found, else 0."""
        states = {row.state for row in self.rows}
        return 2 if BAD in states else 1 if states != {"fine"} else 0


Show = Callable[[StageRow], None]


def run_round(
    product_file: Path,
    work: WorkFolder,
    *,
    on_begin: Callable[[str], None] | None = None,
    on_row: Show | None = None,
    progress: Callable[[str, int], None] | None = None,
) -> Round:
    """Return what every stage says now; only those are run whose inputs are new.

    A mistake of the user's is a row that is bad; nothing of that kind is raised.

    Args:
        product_file: The product file.
        work: Where results are kept.
        on_begin: Called with a stage's name before it is run.
        on_row: Called with each row when it is known.
        progress: Called now and then with what is explored and how many states were found.
    """
    rows: list[StageRow] = []

    def add(row: StageRow) -> None:
        rows.append(row)
        if on_row is not None:
            on_row(row)

    try:
        product = load_product(product_file)
        points = [f"{point.where}: {point.text}" for point in open_points_of(product_file)]
    except (RootwrightError, OSError) as error:
        add(_refused("check", error))
        for name in NAMES[1:]:
            add(StageRow(name, WAITS, "for the product file"))
        return Round(tuple(rows), watched_files(product_file, None))
    stages = Stages(product, product_file.parent, points, progress)
    begin = on_begin or (lambda _: None)
    _, row = run_stage(stages.check(), work, begin)
    add(row)
    planned, row = run_stage(stages.plan(), work, begin)
    add(row)
    if planned is None or planned.get("map") is None:
        for name in NAMES[2:]:
            add(StageRow(name, WAITS, "for a memory map"))
    else:
        proved, row = run_stage(stages.prove(planned), work, begin)
        add(row)
        for stage in (stages.lockdown(planned), stages.review(proved)):
            add(run_stage(stage, work, begin)[1])
        unbuilt = [image.name for image in product.updatable_images if image.file is None]
        if unbuilt:  # a product that only has a map yet is no mistake
            for name in ("release", "trials"):
                add(StageRow(name, WAITS, f"for the firmware of {', '.join(unbuilt)}: name it as file in the product"))
        else:
            for stage in (stages.release(planned), stages.trials(planned)):
                add(run_stage(stage, work, begin)[1])
    if product.bench is not None:
        if find_missing() is None:
            add(run_stage(stages.bench(), work, begin)[1])
        else:
            add(StageRow("bench", WAITS, f"for the extra: {INSTALL}"))
    return Round(tuple(rows), watched_files(product_file, product))


def run_stage(stage: Stage, work: WorkFolder, begin: Callable[[str], None]) -> tuple[Result | None, StageRow]:
    """Return a stage's result, kept or fresh, and its row; no result where it was refused.

    A fresh result is kept only if everything that it was made from is in its key: the files are as they were before,
    it read no other file, and started nothing.
    """
    files = {str(path): digest_of(path) for path in stage.files}
    key = stage_key(stage.name, stage.inputs, files)
    if stage.keepable:
        found = work.find(key)
        if found is not None:
            return found, _row(stage.name, found, kept=True)
    begin(stage.name)
    try:
        with watched_reading() as reading:
            result = stage.run()
    except (RootwrightError, OSError) as error:
        return None, _refused(stage.name, error)
    unchanged = files == {str(path): digest_of(path) for path in stage.files}
    strangers = [path for path in reading.strangers((*stage.files, *stage.passed)) if path.suffix != ".pyc"]
    if stage.keepable and unchanged and not strangers and not reading.started:
        work.keep(key, result)
    return result, _row(stage.name, result, kept=False)


def _row(name: str, result: Result, *, kept: bool) -> StageRow:
    return StageRow(name, result["state"], result["summary"], tuple(result["lines"]), kept=kept, ran=not kept)


def _refused(name: str, error: RootwrightError | OSError) -> StageRow:
    if isinstance(error, DescriptionProblems):
        lines = [str(problem) for problem in error.problems]
        return StageRow(
            name, BAD, f"{len(lines)} mistake{'' if len(lines) == 1 else 's'} in the files", tuple(lines), ran=True
        )
    if isinstance(error, OSError):
        return StageRow(name, BAD, f"{error.filename or 'a file'}: {error.strerror or error}", ran=True)
    where = f"{error.where}: " if error.where else ""
    next_step = (f"next: {error.next_step}",) if error.next_step else ()
    return StageRow(name, BAD, f"{where}{error.found}", next_step, ran=True)


def find_files(product_file: Path) -> tuple[Path, ...]:
    """Return the files to look at before a round."""
    try:
        return watched_files(product_file, load_product(product_file, check_files=False))
    except (RootwrightError, OSError):
        return watched_files(product_file, None)


def watched_files(product_file: Path, product: Product | None) -> tuple[Path, ...]:
    """Return the files whose change asks for another round; with a product that cannot be read, all beside it."""
    folder = product_file.parent
    found: list[Path] = [product_file, *_part_file(product_file), *_beside(folder)]
    if product is not None:
        found += [folder / name for name in _named(product)]
        found += plugin_files(folder)
    return tuple(dict.fromkeys(found))[:MOST_FILES]


def _part_file(product_file: Path) -> Iterable[Path]:
    """Return the chip file that a product names, wherever it is; also where the product has other mistakes."""
    try:
        head = tomllib.loads(product_file.read_text(encoding="utf-8-sig")).get("product")
    except (OSError, ValueError, RecursionError):
        return ()
    named = head.get("chip") if isinstance(head, dict) else None
    return (product_file.parent / named.strip(),) if isinstance(named, str) and named.strip() else ()


def _beside(folder: Path) -> Iterable[Path]:
    """Return the files beside the product file, without hidden ones: chip files, and what commands are made of."""
    try:
        return sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    except OSError:
        return ()


def _named(product: Product) -> Iterable[Path]:
    for image in product.images:
        for name in (image.file, image.second_file, image.precursor, image.precursor_second):
            if name is not None:
                yield Path(name)
    for keep in product.keep:
        if keep.file is not None:
            yield Path(keep.file)
    if product.bench is not None:
        yield from (Path(file) for run in product.bench.runs for file in run.flash)
        yield from (Path(image.file) for image in product.bench.approved)
    if product.format is not None:
        for program in (product.format.packer, product.format.reader):
            if not isinstance(program, str):
                yield from (Path(word) for word in program if "{" not in word)


def look(files: Iterable[Path]) -> dict[Path, tuple[int, int, int] | None]:
    """Return for each file what tells a change: time of its last change, size, and identity; None where it is not."""
    seen: dict[Path, tuple[int, int, int] | None] = {}
    for path in files:
        try:
            state = path.stat()
            seen[path] = (state.st_mtime_ns, state.st_size, state.st_ino)
        except (OSError, ValueError):
            seen[path] = None
    return seen
