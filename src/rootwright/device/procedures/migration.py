"""Migration of a keep-area: its data in the form that a newer application wants, under any number of power cuts.

The area has a second place of the same size, its spare. The data are converted from one place to the other, checked,
and only then a record says where they are. Until the newer version is kept the older form stays as it was, so that the
version before finds its data when the trial fails. The next migration goes the other way round.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rootwright.device.content import KIND_OF_VERSION, VERSION_OF_KIND, content_cell, kind_of
from rootwright.device.ground import DATA_AREAS, Ground
from rootwright.device.port import (
    POWER_UP,
    Again,
    Cell,
    Claim,
    Control,
    LogSpec,
    Outcome,
    Port,
    Record,
    Run,
    Stuck,
    UpdateProcedure,
    Version,
    does_catch,
)
from rootwright.device.procedures.parts import cells_of, write_again

SCHEMA_LOG = LogSpec("schema")
ONLY, BOTH = "only", "both"
"""What the schema log says: the data are in one place only, or the newer form is there and the older in the other."""


@dataclass(frozen=True, slots=True)
class Converting:
    """The control of a conversion: what runs afterwards, where the data are, and how many sectors are done."""

    run: Run
    version: Version
    home: int
    done: int = 0

    def __str__(self) -> str:
        return f"convert ({DATA_AREAS[self.home]} to {DATA_AREAS[1 - self.home]}, {self.done})"


class Migrating:
    """An update procedure whose every start ends with data that the version which runs can read.

    The conversion stands between the decision what runs and its start. On a device it is the newer application's own
    code, run before anything else of it: only that knows both forms.
    """

    def __init__(self, inner: UpdateProcedure, ground: Ground) -> None:
        self.inner = inner
        self.ground = ground
        self.claims = inner.claims | {Claim.DATA}
        self.logs = (*inner.logs, SCHEMA_LOG)
        self.initial: tuple[tuple[str, Record], ...] = (*inner.initial, ("schema", (ONLY, 0)))
        self.start_area = inner.start_area
        self.catches_faults = does_catch(inner)

    def step(self, port: Port, control: Control) -> Outcome:
        """Do one step of the update, or of the conversion that stands before a version's start."""
        if isinstance(control, Converting):
            return self.convert(port, control)
        if control is POWER_UP:
            write_again(port, self.logs[-1:])
        outcome = self.inner.step(port, control)
        if isinstance(outcome, Run) and outcome.area != "recovery":
            version = port.digest(outcome.area).version
            if version is not None:
                return self.find_data(port, outcome, version)
        return outcome

    def noted(self, port: Port) -> tuple[str, int]:
        """Return what the schema log says: word and place."""
        record = port.log("schema").newest()
        if record is None or len(record) != 2:
            return ONLY, 0
        return str(record[0]), int(record[1])

    def find_data(self, port: Port, run: Run, version: Version) -> Outcome:
        """Let a version run with its data, after a conversion where they are in an older form."""
        word, home = self.noted(port)
        found = port.digest(DATA_AREAS[home]).version
        if word == BOTH:
            if found != version:
                home = 1 - home  # the trial failed: the version before runs, with the data as it left them
            if not run.on_trial:
                self.settle(port, home)
        elif found is not None and found == version - 1:
            return Again(Converting(run, version, home))
        return replace(run, data=DATA_AREAS[home])

    def settle(self, port: Port, home: int) -> None:
        """Note that one place alone counts from here on: the version is kept, or its trial is over."""
        port.log("schema").append((ONLY, home))

    def convert(self, port: Port, control: Converting) -> Outcome:
        """Convert one sector into the other place; after the last, check the whole and note it."""
        target = DATA_AREAS[1 - control.home]
        sectors = self.ground.area(target)
        self.convert_sector(port, sectors[control.done], DATA_AREAS[control.home], control.version)
        if control.done + 1 < len(sectors):
            return Again(replace(control, done=control.done + 1))
        return self.finish(port, control)

    def finish(self, port: Port, control: Converting) -> Outcome:
        """Check what was converted, then note it: beside the older form on trial, alone for a version that is kept."""
        home = 1 - control.home
        if port.digest(DATA_AREAS[home]).version != control.version:
            return Stuck("the converted data do not read back")
        port.log("schema").append((BOTH if control.run.on_trial else ONLY, home))
        return replace(control.run, data=DATA_AREAS[home])

    def convert_sector(self, port: Port, sector: int, source: str, version: Version) -> None:
        """Erase one sector and program it with the converted data of the same place."""
        place = self.ground.sectors[sector]
        cells = list(cells_of(self.ground, self.ground.area(source)))[place.position : place.position + place.cells]
        port.erase(sector)
        for cell, (from_sector, from_cell) in enumerate(cells):
            port.program(sector, cell, converted(port.read(from_sector, from_cell), version))
        port.invalidate()


def converted(cell: Cell, version: Version) -> Cell:
    """Return a cell of data in the form of `version`, made of the form before it; anything else stays as it is.

    An older version cannot know a form that was made after it. Data of a still older form are a copy that was left
    behind: what was written since is not in it.
    """
    what = kind_of(cell)
    if what is None or VERSION_OF_KIND.get(what[0]) != version - 1:
        return cell
    return content_cell(KIND_OF_VERSION[int(version)], what[1], what[2])


def migrating(make: Callable[[Ground], UpdateProcedure]) -> Callable[[Ground], UpdateProcedure]:
    """Return the maker of a procedure with the reference migration around it.

    >>> from rootwright.device.ground import tiny_ground, with_data
    >>> from rootwright.device.procedures.copy_over import CopyOver
    >>> [log.name for log in migrating(CopyOver)(with_data(tiny_ground(1, 1), 1, 1)).logs]
    ['journal', 'requests', 'floor', 'schema']
    """
    return lambda ground: Migrating(make(ground), ground)
