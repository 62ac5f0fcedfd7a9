"""The boot program as the explorer's subject: one step is a start, from power-up to its end, in the emulator.

The application half is Python that writes declared records: it receives an update into staging and asks for its
installation, and it reports itself good. What may happen between starts is the explorer's, as for procedure models.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rootwright.bench.closure.device import CutBoard
from rootwright.bench.closure.port import PLAIN, BytePort, Variation, WrittenAgain
from rootwright.bench.closure.world import CutWorld
from rootwright.bench.cuts import KEEPS_NO_IMAGE
from rootwright.bench.ends import End
from rootwright.bench.judge import open_key
from rootwright.bench.subject import Start, Subject
from rootwright.describe.bench import Expect
from rootwright.device.content import KIND_OF_VERSION, Kind
from rootwright.device.ground import Ground
from rootwright.device.port import (
    POWER_UP,
    REPORT_GOOD,
    Again,
    Attribute,
    Claim,
    Control,
    Idle,
    LogSpec,
    Offer,
    Outcome,
    Record,
    Run,
    Stuck,
    UpdateProcedure,
)
from rootwright.prove.symbolic import NoBoot, Operation, SymbolicPort
from rootwright.prove.world import Flash, World

NO_IMAGE = "no image left"
BRICK = "brick"
KEY = "key read"
NOT_COVERED = "not covered"
RAM = "depends on RAM at power-up"
LOG = "records are not told apart as declared"

TELL_EVERY = 50

TWIN_EVERY = 4
"""The first way through a state's questions has a twin, and one in so many of the others."""

TWIN_NUMBERS = tuple((1 << k) + offset for k in (4, 5, 6, 8, 12, 16, 24, 31) for offset in (0, 3))


class Budget(Exception):
    """So many states were looked at as were allowed."""


class BootProgram:
    """The boot program of a subject, with the application half that its description declares.

    Attributes:
        states: States that were looked at, those at which the application half is at work included.
        starts: Starts that were run.
        twins: Starts that were run a second time with what must make no difference chosen otherwise.
        erases: Most sectors that one start erased.
        thinned: Operations of all starts that were not cut, since many others in the same cell were.
        differs: Whether a start went another way with other places, numbers or older records in the logs.
        acts: Whether updates are offered and images report themselves between starts.
    """

    def __init__(
        self,
        subject: Subject,
        start: Start,
        halves: dict[str, int],
        *,
        acts: bool,
        most: int,
        progress: Callable[[str, int], None] | None = None,
    ) -> None:
        self.subject, self.start = subject, start
        self.acts, self.most = acts and subject.bench.application is not None, most
        self.states = self.starts = self.twins = self.erases = self.thinned = 0
        self.differs = False
        self.runs_image = start.run.expect is Expect.RUNS
        self.claims = self._claims()
        self.logs = tuple(LogSpec(log.name, halves.get(log.name, 2)) for log in subject.bench.logs)
        self.initial: tuple[tuple[str, Record], ...] = ()
        self.start_area = "run"
        self.progress = progress
        self.board = CutBoard(
            subject.chip,
            subject.bench,
            subject.firmware,
            plugins=subject.plugins(),
            watchdog_s=subject.product.update.watchdog_s,
        )
        self.board.load(subject.flash_of(start.run))
        self.end = End("hang", 0)

    def _claims(self) -> frozenset[Claim]:
        claims = {Claim.APPROVED_ONLY, Claim.ENDS, Claim.FLOOR, Claim.KEEPS}
        update = self.subject.product.update
        if self.runs_image:
            claims.add(Claim.BOOTS_OR_WAITS if update.procedure in KEEPS_NO_IMAGE else Claim.BOOTS)
        application = self.subject.bench.application
        if self.acts and update.trial and application is not None and application.trial:
            claims.add(Claim.RETURNS)
        return frozenset(claims)

    # -- steps

    def step(self, port: Any, control: Control) -> Outcome:
        """Do one deed of the application half; `take_step` does the starts."""
        application = self.subject.bench.application
        if application is None or not self.acts:
            return Again(POWER_UP)
        records = port.cuts.records[application.log]
        if control is REPORT_GOOD:
            if application.reports:
                port.append(application.log, records.begun(application.reports))
            return Again(POWER_UP)
        if isinstance(control, Offer):
            if (KIND_OF_VERSION[int(control.version)], 0) not in port.cuts.images:
                return Again(POWER_UP)
            if application.clears:
                port.append(application.log, records.begun(application.clears))
            return Again(("receive", control, 0))
        assert isinstance(control, tuple)
        _, offer, index = control
        stage = self._staging(port.world.ground)
        if index < len(stage):
            self._receive(port, offer, stage[index])
            return Again(("receive", offer, index + 1))
        port.append(application.log, records.begun(application.asks))
        return Again(POWER_UP)

    @staticmethod
    def _staging(ground: Ground) -> range:
        return ground.find_area("stage") or ground.find_area("second")

    def _receive(self, port: BytePort, offer: Offer, sector: int) -> None:
        """Erase a sector of staging and program what of an update belongs there; blank units stay blank."""
        world = port.cuts
        kind = Kind.ALTERED if offer.attribute is Attribute.ALTERED else KIND_OF_VERSION[int(offer.version)]
        place = world.ground.sectors[sector]
        flash = world.flashes[place.memory]
        flash.erase(place.address, pc=0, index=-1)
        base = world.offsets[sector]
        data = world.images[(kind, 0)].data[base : base + place.size]
        data += bytes([flash.erased]) * (-len(data) % flash.unit)
        for at in range(0, len(data), flash.unit):
            unit = data[at : at + flash.unit]
            if unit != bytes([flash.erased]) * flash.unit:
                flash.program(place.address + at, unit, pc=0, index=-1)

    def take_step(
        self, procedure: UpdateProcedure, world: World, state: Flash, control: Control, script: tuple[int, ...]
    ) -> tuple[SymbolicPort, Outcome | NoBoot]:
        """Run one step from a state; the explorer's `take_step`."""
        assert isinstance(world, CutWorld)
        self.states += not script
        if self.states > self.most:
            raise Budget
        port, outcome = self._take(world, state, control, script, PLAIN, 0xA5)
        if control is POWER_UP and not self.differs and (not script or self.starts % TWIN_EVERY == 0):
            wrong = self._try_twin(world, state, script, port, outcome)
            outcome = outcome if wrong is None else wrong
        known = len(world.rewritten)
        port.finish()
        if len(world.rewritten) > known and self.states > 1:
            raise WrittenAgain(frozenset(world.rewritten))
        return port, outcome

    def _take(
        self,
        world: CutWorld,
        state: Flash,
        control: Control,
        script: tuple[int, ...],
        variation: Variation,
        fill: int,
    ) -> tuple[BytePort, Outcome | NoBoot]:
        port = BytePort(world, state, script, variation)
        wrong = port.boot() if control is POWER_UP else None
        if wrong is not None:
            return port, wrong
        self.board.watch(port)
        try:
            if control is not POWER_UP:
                outcome = self.step(port, control)
                port.settle_units()
                return port, outcome
            self.starts += 1
            if self.progress is not None and self.starts % TELL_EVERY == 0:
                self.progress(f"{self.start.run.name}, starts", self.starts)
            self.board.power_up(fill=fill)
            self.end = self.board.run(self.subject.bench.limit)
            port.settle_units()
            self.thinned += port.thinned
            self.erases = max(self.erases, port.erases)
            return port, self._outcome(port, self.end)
        finally:
            self.board.watch(None)

    def _try_twin(
        self, world: CutWorld, state: Flash, script: tuple[int, ...], port: BytePort, outcome: Outcome | NoBoot
    ) -> NoBoot | None:
        """Run the same start with other RAM, and with what logs leave open chosen otherwise: all must be the same."""
        turn = self.twins
        self.twins += 1
        varied = Variation(
            half=turn & 1,
            number=TWIN_NUMBERS[turn % len(TWIN_NUMBERS)],
            residue=("old", "torn", "blank")[turn % 3],
            spoilt=bool(turn & 2),
            turn=1 + turn,
        )
        fill = (turn * 89 + 1) & 0xFF
        other, came = self._take(world, state, POWER_UP, script, varied, fill)
        if _same(port, outcome, other, came):
            return None
        other, came = self._take(world, state, POWER_UP, script, PLAIN, fill)
        if not _same(port, outcome, other, came):
            return NoBoot(Claim.APPROVED_ONLY, f"{RAM}: two fills of RAM give different flash operations")
        self.differs = True
        return None

    # -- the end of a start

    def _outcome(self, port: BytePort, end: End) -> Outcome | NoBoot:
        promised = Claim.BOOTS_OR_WAITS if Claim.BOOTS_OR_WAITS in self.claims else Claim.BOOTS
        if end.kind == "not covered":
            return NoBoot(Claim.APPROVED_ONLY, f"{NOT_COVERED}: {end.why}")
        if end.kind == "waits":
            return Idle("the loader")
        if end.kind == "resets":
            return Again(POWER_UP) if port.operations else Stuck(f"{NO_IMAGE}: {end.why}")
        if end.kind in ("hang", "crash"):
            return NoBoot(promised, f"{BRICK}: {end.why}")
        return self._started(port, end.at)

    def _started(self, port: BytePort, at: int) -> Outcome | NoBoot:
        self.board.watch(None)  # what judging reads is not the program's
        key = open_key(self.subject, self.board)
        if key:
            return NoBoot(Claim.APPROVED_ONLY, f"{KEY}: {key}")
        ground = port.world.ground
        for area in ("run", "second"):
            sectors = ground.find_area(area)
            if sectors and any(
                s.address <= at < s.address + s.size for s in ground.sectors[sectors.start : sectors.stop]
            ):
                return Run(area, on_trial=self._is_on_trial(port))
        recovery = next((a for a in self.subject.approved if a.recovery and a.span.address <= at < a.span.end), None)
        if recovery is None:
            return NoBoot(Claim.APPROVED_ONLY, f"the core ran at 0x{at:08x}, where no approved image belongs")
        for segment in recovery.image.segments:
            port.look(segment.address, len(segment.data))
            if self.board.read_bytes(segment.address, len(segment.data)) != segment.data:
                return NoBoot(Claim.APPROVED_ONLY, f"unapproved code runs as {recovery.name}")
        if Claim.BOOTS in self.claims:
            return NoBoot(Claim.BOOTS, f"{NO_IMAGE}: {recovery.name} took over")
        return Run("recovery")

    def _is_on_trial(self, port: BytePort) -> bool:
        application = self.subject.bench.application
        if application is None or not application.trial or not self.acts:
            return False
        newest = port.newest(application.trial_log)
        trial = port.cuts.records[application.trial_log].begun(application.trial)
        return (
            newest is not None and newest.payload[: len(application.trial)] == trial.payload[: len(application.trial)]
        )


def _same(one: BytePort, came: object, other: BytePort, came_other: object) -> bool:
    """Say whether two starts asked the same and did the same to flash, as far as the world tells states apart."""
    return came == came_other and one.questions == other.questions and _effects(one) == _effects(other)


def _effects(port: BytePort) -> list[Any]:
    """Return what a start did, without making room in the half of a log that does not hold its newest record."""
    logs = set(port.world.log_location.values())
    return [
        change
        for change in port.changes
        if not (isinstance(change, Operation) and change.location in logs and change.torn == change.done)
    ]
