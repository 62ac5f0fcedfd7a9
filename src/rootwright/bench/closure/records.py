"""Records of a declared log: what they say, how they lie in flash, which of them is the newest.

The closure does not keep where in a log the newest record stands, nor which number it bears: it keeps what the record
says, and lays out a log anew for each start. What that leaves out is tried again and again with other places, numbers
and older records; see `Layout`.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

from rootwright.describe.bench import LogFormat
from rootwright.device.port import Version

WORD = 4
TOP = 1 << 32


class Whole(NamedTuple):
    """A record that stands whole: its bytes without number, check and version, and the version that it names."""

    payload: bytes
    version: Version | None


class Half(NamedTuple):
    """A record whose writing did not end, behind the newest one.

    Attributes:
        units: For each program unit: None where it is blank, b"" where it cannot be decoded, else its bytes, in which
            the number counts from the newest record's.
    """

    newest: Whole | None
    units: tuple[bytes | None, ...]


Newest: TypeAlias = "Whole | Half | None"


@dataclass(frozen=True, slots=True)
class Layout:
    """How a log is laid out for one start: what the closure leaves out, chosen.

    Attributes:
        blank: Records that still fit into the half of the newest one; -1 for as many as can.
        half: Which half holds the newest record.
        number: The newest record's number.
        wraps: Whether a half-written record is the first of the other half.
        residue: What the other half holds: "old" records, "blank", or what a cut erase left, "torn".
        spoilt: Whether places before the newest record are undecodable, in turn with older records.
    """

    blank: int = -1
    half: int = 0
    number: int = 72
    wraps: bool = False
    residue: str = "old"
    spoilt: bool = False


class Placed(NamedTuple):
    """One record to be put at a place of a log: half, place in it, bytes by unit (None: blank; b"": undecodable)."""

    half: int
    place: int
    units: tuple[bytes | None, ...]


class Records:
    """One declared log's records in bytes. `versions` has the number in the order of versions of each named version."""

    def __init__(self, declared: LogFormat, unit: int, versions: dict[Version, int]) -> None:
        self.declared, self.unit = declared, unit
        self.versions = versions
        self.named = {number: version for version, number in versions.items()}
        self.half_size = declared.size // 2
        self._read: dict[bytes, tuple[int, Whole] | None] = {}

    def address(self, half: int, index: int) -> int:
        """Return where a record stands."""
        return self.declared.at + half * self.half_size + index * self.declared.entry

    def place(self, address: int) -> tuple[int, int] | None:
        """Return half and index of the record at an address, None behind the last record of a half."""
        half, offset = divmod(address - self.declared.at, self.half_size)
        index = offset // self.declared.entry
        return (half, index) if index < self.declared.records else None

    def read(self, entry: bytes) -> tuple[int, Whole] | None:
        """Return number and content of a record whose check is right; None for anything else."""
        try:
            return self._read[entry]
        except KeyError:
            found = self._read[entry] = self._decode(entry)
            return found

    def _decode(self, entry: bytes) -> tuple[int, Whole] | None:
        d = self.declared
        if int.from_bytes(entry[d.check : d.check + WORD], "little") != zlib.crc32(entry[: d.covered]):
            return None
        number = int.from_bytes(entry[d.number : d.number + WORD], "little")
        payload = bytearray(entry)
        payload[d.number : d.number + WORD] = payload[d.check : d.check + WORD] = bytes(WORD)
        version = None
        if d.version >= 0:
            version = self.named.get(int.from_bytes(entry[d.version : d.version + WORD], "little"))
            if version is not None:
                payload[d.version : d.version + WORD] = bytes(WORD)
        return number, Whole(bytes(payload), version)

    def write(self, record: Whole, number: int) -> bytes:
        """Return a record's bytes."""
        d = self.declared
        entry = bytearray(record.payload)
        entry[d.number : d.number + WORD] = (number % TOP).to_bytes(WORD, "little")
        if record.version is not None:
            entry[d.version : d.version + WORD] = self.versions[record.version].to_bytes(WORD, "little")
        entry[d.check : d.check + WORD] = zlib.crc32(bytes(entry[: d.covered])).to_bytes(WORD, "little")
        return bytes(entry)

    def begun(self, start: bytes) -> Whole:
        """Return the record that begins with some bytes and is zeros behind them."""
        d = self.declared
        payload = bytearray(start.ljust(d.entry, b"\0"))
        payload[d.number : d.number + WORD] = payload[d.check : d.check + WORD] = bytes(WORD)
        return Whole(bytes(payload), None)

    def shift(self, at: int, unit: bytes, by: int) -> bytes:
        """Return a record's unit with `by` added to its number, where it holds that."""
        offset = self.declared.number - at
        if not 0 <= offset < len(unit):
            return unit
        number = int.from_bytes(unit[offset : offset + WORD], "little")
        return unit[:offset] + ((number + by) % TOP).to_bytes(WORD, "little") + unit[offset + WORD :]

    def split(self, entry: bytes) -> tuple[bytes, ...]:
        """Return a record's bytes by program unit."""
        return tuple(entry[at : at + self.unit] for at in range(0, len(entry), self.unit))

    def remains(self, record: Whole) -> list[Half]:
        """Return what a cut can leave of writing a record once more behind itself: each stage of each unit."""
        units = self.split(self.write(record, 1))
        stages: list[Half] = []
        for done in range(len(units)):
            rest = (None,) * (len(units) - done - 1)
            if done:
                stages.append(Half(record, (*units[:done], None, *rest)))
            stages.append(Half(record, (*units[:done], b"", *rest)))
        return stages

    def lay_out(self, newest: Newest, older: tuple[Whole, ...], layout: Layout) -> Iterator[Placed]:
        """Yield what stands in a log, everything else being blank.

        Args:
            older: What records before the newest say, in turn; none for a log without any.
        """
        d = self.declared
        whole = newest.newest if isinstance(newest, Half) else newest
        room = d.records - 1 - layout.blank
        at = room - (1 if isinstance(newest, Half) and not layout.wraps else 0)
        if whole is None:
            at = -1
        number, half = layout.number, layout.half
        if whole is not None:
            yield Placed(half, at, self.split(self.write(whole, number)))
        if isinstance(newest, Half):
            base = number if whole is not None else 0
            units = tuple(
                unit if not unit else self.shift(k * self.unit, unit, base) for k, unit in enumerate(newest.units)
            )
            yield Placed(half ^ 1, 0, units) if layout.wraps else Placed(half, at + 1, units)
        if whole is None or not older:
            return
        before = [(half, index) for index in range(at - 1, -1, -1)]
        if not (isinstance(newest, Half) and layout.wraps) and layout.residue != "blank":
            before += [(half ^ 1, index) for index in range(d.records - 1, -1, -1)]
        for back, (where, index) in enumerate(before):
            old = self.split(self.write(older[back % len(older)], number - 1 - back))
            torn = layout.residue == "torn" and where != half
            if torn and back % 3 == 1:
                continue
            if (torn and back % 3 == 2) or (layout.spoilt and where == half and back % 2):
                yield Placed(where, index, (b"",) * len(old))
                continue
            yield Placed(where, index, old)
