"""Broken migrations of a keep-area, each with one mistake that a real one could have; the explorer must find it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rootwright.describe.product import Procedure
from rootwright.device.ground import DATA_AREAS, Ground
from rootwright.device.port import Again, Claim, LogSpec, Outcome, Port, Run, UpdateProcedure, Version
from rootwright.device.procedures.migration import BOTH, ONLY, Converting, Migrating, converted
from rootwright.device.procedures.parts import cells_of


class RewrittenInPlace(Migrating):
    """Reads the data into RAM, erases their only place and writes them back in the new form."""

    def convert(self, port: Port, control: Converting) -> Outcome:
        """Rewrite the place in which the data are, sector by sector."""
        source = DATA_AREAS[control.home]
        sectors = self.ground.area(source)
        sector = sectors[control.done]
        kept = [converted(port.read(sector, c), control.version) for c in range(self.ground.sectors[sector].cells)]
        port.erase(sector)
        for cell, value in enumerate(kept):
            port.program(sector, cell, value)
        if control.done + 1 < len(sectors):
            return Again(replace(control, done=control.done + 1))
        return replace(control.run, data=source)


class MarkedBeforeData(Migrating):
    """Notes the new place first, then converts: the record is short, and the rest follows at once."""

    def find_data(self, port: Port, run: Run, version: Version) -> Outcome:
        """Note the conversion before it begins."""
        outcome = super().find_data(port, run, version)
        if isinstance(outcome, Again) and isinstance(outcome.control, Converting):
            port.log("schema").append((BOTH if run.on_trial else ONLY, 1 - outcome.control.home))
        return outcome

    def finish(self, port: Port, control: Converting) -> Outcome:
        """Run with what was converted."""
        return replace(control.run, data=DATA_AREAS[1 - control.home])


class NoWayBack(Migrating):
    """Forgets the older form as soon as the newer one is there, while the new version is still on trial."""

    def finish(self, port: Port, control: Converting) -> Outcome:
        """Note the newer form alone."""
        self.settle(port, 1 - control.home)
        return replace(control.run, data=DATA_AREAS[1 - control.home])


class OldFormErased(Migrating):
    """Erases the older form when the newer one is complete, to leave no copy behind."""

    def finish(self, port: Port, control: Converting) -> Outcome:
        """Note the newer form, then erase the older."""
        outcome = super().finish(port, control)
        for sector in self.ground.area(DATA_AREAS[control.home]):
            port.erase(sector)
        return outcome


class NoRecordCheck(Migrating):
    """Keeps its record without a check code."""

    def __init__(self, inner: UpdateProcedure, ground: Ground) -> None:
        super().__init__(inner, ground)
        self.logs = (*inner.logs, LogSpec("schema", check_code=False))


class OneSectorRecord(Migrating):
    """Keeps its record in one sector, erased in place when it is full."""

    def __init__(self, inner: UpdateProcedure, ground: Ground) -> None:
        super().__init__(inner, ground)
        self.logs = (*inner.logs, LogSpec("schema", halves=1))


class GoesOnWhereItWas(Migrating):
    """Notes each sector that is done and goes on behind it after a cut, though the data changed meanwhile."""

    def find_data(self, port: Port, run: Run, version: Version) -> Outcome:
        """Go on with a conversion that was begun."""
        record = port.log("schema").newest()
        if record is not None and record[0] == "done":
            return Again(Converting(run, version, int(record[1]), int(record[2])))
        return super().find_data(port, run, version)

    def convert(self, port: Port, control: Converting) -> Outcome:
        """Note the sector that comes next, then convert it."""
        port.log("schema").append(("done", control.home, control.done))
        return super().convert(port, control)


class EraseSkipped(Migrating):
    """Saves the erase of a sector that reads blank."""

    def convert_sector(self, port: Port, sector: int, source: str, version: Version) -> None:
        """Program one sector without an erase where it reads blank."""
        place = self.ground.sectors[sector]
        cells = list(cells_of(self.ground, self.ground.area(source)))[place.position : place.position + place.cells]
        if not port.is_blank(sector):
            port.erase(sector)
        for cell, (from_sector, from_cell) in enumerate(cells):
            port.program(sector, cell, converted(port.read(from_sector, from_cell), version))


@dataclass(frozen=True, slots=True)
class BrokenMigration:
    """One mistake.

    Attributes:
        why: Why somebody would do it, and what then happens.
        base: The update procedure around which it shows.
        make: Makes it around an update procedure.
        claim: The claim that it breaks.
        cuts: The fewest power cuts that break it where the keep-area has two sectors.
    """

    name: str
    why: str
    base: Procedure
    make: Callable[[UpdateProcedure, Ground], UpdateProcedure]
    cuts: int
    claim: Claim = Claim.DATA


BROKEN_MIGRATIONS: tuple[BrokenMigration, ...] = (
    BrokenMigration(
        "rewritten-in-place",
        "The data are in RAM for a moment. A cut then leaves neither form.",
        Procedure.COPY_OVER,
        RewrittenInPlace,
        1,
    ),
    BrokenMigration(
        "rewritten-on-trial",
        "The same with a way back: when the trial fails, the version before finds a form made after it.",
        Procedure.EITHER_SLOT,
        RewrittenInPlace,
        0,
    ),
    BrokenMigration(
        "marked-before-data",
        "The record is written first because it is short. After a cut it names data that are not there.",
        Procedure.COPY_OVER,
        MarkedBeforeData,
        1,
    ),
    BrokenMigration(
        "no-way-back",
        "The new version runs, so its data count. When its trial fails, the version before cannot read them.",
        Procedure.EITHER_SLOT,
        NoWayBack,
        0,
    ),
    BrokenMigration(
        "old-form-erased",
        "Two copies look like waste. The older one was the way back.",
        Procedure.EITHER_SLOT,
        OldFormErased,
        0,
    ),
    BrokenMigration(
        "no-record-check",
        "One small write cannot tear. It can, and then it names nothing.",
        Procedure.COPY_OVER,
        NoRecordCheck,
        1,
    ),
    BrokenMigration(
        "one-sector-record",
        "A second sector looks like waste. A cut while the full one is erased brings an older record back.",
        Procedure.COPY_OVER,
        OneSectorRecord,
        1,
    ),
    BrokenMigration(
        "goes-on-where-it-was",
        "It saves a few sectors after a cut. The version that starts then is another one.",
        Procedure.EITHER_SLOT,
        GoesOnWhereItWas,
        1,
        Claim.BOOTS,
    ),
    BrokenMigration(
        "spare-not-erased",
        "A blank spare needs no erase. A cut erase can read blank and still be weak.",
        Procedure.COPY_OVER,
        EraseSkipped,
        1,
    ),
)
"""All broken migrations."""
