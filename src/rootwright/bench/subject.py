"""The subject of a bench: boot program, part, flash at each golden run's start, approved images, what must stay."""

from __future__ import annotations

import sys
import zlib
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from rootwright.bench.board import Board
from rootwright.bench.ends import Access
from rootwright.bench.firmware import Firmware
from rootwright.bench.flash import FlashContent, FlashState
from rootwright.describe.bench import Approved, Bench, FloorRecord, GoldenRun
from rootwright.describe.chip import Chip, MemoryKind
from rootwright.describe.product import ImageRole, Product
from rootwright.errors import BenchError
from rootwright.image.model import Image, Span
from rootwright.image.reading import read_image
from rootwright.own_code import execute_file


@dataclass(frozen=True, slots=True)
class ApprovedImage:
    """An image that may run: its bytes where it runs, its place in the order of versions (0: no floor)."""

    name: str
    image: Image
    sequence: int
    recovery: bool

    @property
    def span(self) -> Span:
        """From its first to its last byte."""
        return Span(self.image.start, self.image.size)


@dataclass(frozen=True, slots=True)
class Start:
    """A start of the device: a golden run, and whether power was off before (else a software reset)."""

    run: GoldenRun
    cold: bool

    @property
    def name(self) -> str:
        """How reports call it."""
        return f"{self.run.name}, {'cold' if self.cold else 'warm'} boot"


class Subject:
    """One product on the bench; can be pickled, so that worker processes build their own boards from it."""

    def __init__(self, product: Product, folder: Path, *, boot: Path | None = None) -> None:
        if product.bench is None:
            raise BenchError(
                "product.toml has no [bench] table",
                next_step="say how the boot program reaches flash and which runs to try; the manual's page on the "
                "bench shows the tables, and `rootwright bench PRODUCT --probe` proposes rules",
            )
        self.product, self.folder = product, folder
        self.chip: Chip = product.chip
        self.bench: Bench = product.bench
        spec = product.find_images(ImageRole.BOOT_STAGE)[0]
        if boot is None and spec.file is None:
            raise BenchError(
                "the boot stage has no file", where="product.toml, image boot", next_step="name its ELF file"
            )
        path = boot if boot is not None else folder / str(spec.file)
        self.firmware = Firmware(_read(path), str(path if boot else spec.file), self.chip.architecture)
        self.approved = self._approved()
        self.keeps = self._keeps()
        if not self.bench.runs:
            raise BenchError(
                "no golden run",
                where="[bench]",
                next_step="add a table [[bench.run]] with the flash of an authentic boot",
            )

    def __getstate__(self) -> dict[str, Any]:
        # Files are read already: another process, or another machine, may not have them.
        return {name: getattr(self, name) for name in ("product", "folder", "firmware", "approved", "keeps")}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.product, self.folder, self.firmware = state["product"], state["folder"], state["firmware"]
        self.chip = self.product.chip
        assert self.product.bench is not None
        self.bench = self.product.bench
        self.approved, self.keeps = state["approved"], state["keeps"]

    def _approved(self) -> tuple[ApprovedImage, ...]:
        listed = list(self.bench.approved)
        recovery = set(self.bench.recovery)
        if not listed:
            for spec in self.product.images:
                if spec.role is ImageRole.BOOT_STAGE:
                    continue
                files = {"": spec.file, " second": spec.second_file, " before": spec.precursor}
                files[" before, second"] = spec.precursor_second
                for word, file in files.items():
                    if file is not None:
                        listed.append(Approved(spec.name + word, file, 0, None, spec.base))
                if spec.role is ImageRole.RECOVERY:
                    recovery.add(spec.name)
        found = []
        for item in listed:
            image = read_image(_read(self.folder / item.file), name=str(item.file), base=item.base)
            if item.at is not None and item.at != image.start:
                segments = tuple(replace(s, address=s.address - image.start + item.at) for s in image.segments)
                image = replace(image, segments=segments)
            found.append(ApprovedImage(item.name, image, item.sequence, item.name in recovery))
        return tuple(found)

    def _keeps(self) -> tuple[tuple[str, Span], ...]:
        pins = {pin.block: pin.at for pin in self.product.pins if pin.at is not None}
        found = []
        for keep in self.product.keep:
            at = keep.at if keep.at is not None else pins.get(f"keep:{keep.name}")
            if at is not None:
                found.append((keep.name, Span(at, keep.size)))
        return tuple(found)

    def starts(self) -> tuple[Start, ...]:
        """Return all starts, in the file's order: each run warm, and cold where it asks for that."""
        return tuple(Start(run, cold) for run in self.bench.runs for cold in ((True, False) if run.cold else (False,)))

    def flash_of(self, run: GoldenRun) -> dict[str, FlashState]:
        """Return the content of every memory that keeps it at a run's start."""
        contents = {m.name: FlashContent(m) for m in self.chip.memories if m.kind is not MemoryKind.RAM}
        self._load(contents, self.firmware.image, where="the boot program")
        for keep in self.product.keep:
            if keep.file is not None:
                self._load(contents, read_image(_read(self.folder / keep.file), name=str(keep.file), base=keep.at))
        for file in run.flash:
            base = self._base_of(str(file))
            self._load(contents, read_image(_read(self.folder / file), name=str(file), base=base))
        for change in run.changes:
            self._put(contents, change.at, change.data, f"[bench], run {run.name}")
        return {name: content.state() for name, content in contents.items()}

    def _base_of(self, file: str) -> int | None:
        """Return where a raw file goes: "name@0x8000.bin" says it; else an approved image of that file."""
        stem = Path(file).stem
        if "@" in stem:
            try:
                return int(stem.rsplit("@", 1)[1], 0)
            except ValueError:
                return None
        for item in self.bench.approved:
            if str(item.file) == file:
                return item.base if item.base is not None else item.at
        return None

    def _load(self, contents: dict[str, FlashContent], image: Image, *, where: str = "") -> None:
        for segment in image.segments:
            self._put(contents, segment.address, segment.data, where or image.name)

    @staticmethod
    def _put(contents: dict[str, FlashContent], address: int, data: bytes, where: str) -> None:
        for content in contents.values():
            if content.holds(address, len(data)):
                content.load(address, data)
                return
        raise BenchError(
            f"{len(data)} bytes at 0x{address:08x} are in no memory of the part that keeps its content",
            where=where,
            next_step="check the file's addresses against chip.toml's memories",
        )

    def plugins(self) -> tuple[tuple[int, int, Any], ...]:
        """Return fresh objects of the product's own register classes."""
        found = []
        for plugin in self.bench.plugins:
            made = _load_class(self.folder, plugin.python)
            try:
                found.append((plugin.at, plugin.at + plugin.size, made()))
            except Exception as error:
                raise BenchError(
                    f"{plugin.python} cannot be made: {error}",
                    where="bench.plugin",
                    next_step="give the class a constructor without arguments",
                ) from None
        return tuple(found)

    def board(
        self,
        *,
        hooked: bool = True,
        reads_hooked: bool = True,
        trace: Any = None,
        probe: Any = None,
        blocks: Any = None,
        stations: tuple[int, ...] = (),
        quick: bool = False,
        notes: Any = None,
    ) -> Board:
        """Return a device; without `hooked` its own digests and checks run, without `reads_hooked` its own reads."""
        bench = self.bench
        if not reads_hooked:
            bench = replace(bench, hooks=tuple(h for h in bench.hooks if h.deed.value != "read"))
        if not hooked:
            kept = tuple(h for h in bench.hooks if h.deed.value not in ("digest", "verify"))
            bench = replace(bench, hooks=kept)
        return Board(
            self.chip,
            bench,
            self.firmware,
            plugins=self.plugins(),
            trace=trace,
            probe=probe,
            watchdog_s=self.product.update.watchdog_s,
            blocks=blocks,
            stations=stations,
            quick=quick,
            notes=notes,
        )

    def floor(self, read: Any) -> int:
        """Return the version floor as the flash holds it; `read(address, size)` returns bytes or None."""
        record = self.bench.floor
        if record is None:
            return 0
        whole = read(record.at, record.size)
        if whole is not None:
            return _floor_in(record, whole)
        # Some entry cannot be read; the others count.
        entries = (
            read(record.at + offset, record.entry) for offset in range(0, record.size - record.entry + 1, record.entry)
        )
        return max((_floor_in(record, entry) for entry in entries if entry), default=0)


@lru_cache(maxsize=64)  # a campaign asks in every run, and few runs change a record
def _floor_in(record: FloorRecord, log: bytes) -> int:
    """Return the highest valid number of the entries in a log's bytes."""
    highest = 0
    blank = (b"\xff" * record.entry, bytes(record.entry))
    for offset in range(0, len(log) - record.entry + 1, record.entry):
        entry = log[offset : offset + record.entry]
        if entry in blank:
            continue
        value = int.from_bytes(entry[record.value : record.value + 4], "little")
        if record.complement >= 0:
            other = int.from_bytes(entry[record.complement : record.complement + 4], "little")
            if other != value ^ 0xFFFF_FFFF:
                continue
        if record.check >= 0:
            check = int.from_bytes(entry[record.check : record.check + 4], "little")
            if check != zlib.crc32(entry[: record.covered]):
                continue
        elif record.complement < 0 and value == 0xFFFF_FFFF:
            continue
        highest = max(highest, value)
    return highest


def probing(values: dict[int, int] | None = None) -> Any:
    """Return an answer for `Board(probe=...)`: given values, else zeros and ones in turn at each address."""
    counts: dict[int, int] = {}
    given = values or {}

    def answer(access: Access) -> int:
        if access.kind == "write":
            return 0
        n = counts.get(access.address, 0)
        counts[access.address] = n + 1
        if access.address in given:
            return given[access.address]
        # A loop that waits for a bit ends with one of these two.
        return 0 if n % 8 < 4 else (1 << 8 * access.width) - 1

    return answer


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BenchError(
            f"cannot be read ({error.strerror})", where=str(path), next_step="check the name in product.toml"
        ) from None


def _load_class(folder: Path, named: str) -> Any:
    module_name, _, class_name = named.partition(":")
    path = folder / (module_name.replace(".", "/") + ".py")
    key = f"rootwright_bench_plugin_{abs(hash(str(path)))}"
    module = sys.modules.get(key)
    if module is None:
        if not path.is_file():
            raise BenchError(
                f"no file {path.name} beside product.toml", where="bench.plugin", next_step=f"write {path.name}"
            )
        try:
            module = execute_file(path, key)
        except Exception as error:
            raise BenchError(f"{path.name}: {error}", where="bench.plugin", next_step="mend the module") from None
    found = getattr(module, class_name, None)
    if found is None:
        raise BenchError(f"no class {class_name} in {path.name}", where="bench.plugin", next_step="check the name")
    return found
