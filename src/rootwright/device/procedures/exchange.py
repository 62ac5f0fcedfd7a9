"""Exchange: staged and running images trade places through lift sectors; trial run and way back.

With one lift sector (or group) its wear is that of every chunk moved; with several they take turns.
"""

from __future__ import annotations

from rootwright.device.ground import Ground
from rootwright.device.port import (
    POWER_UP,
    REPORT_GOOD,
    Again,
    Claim,
    Control,
    LogSpec,
    Offer,
    Outcome,
    Port,
    Record,
    Run,
    Stuck,
)
from rootwright.device.procedures.parts import (
    FLOOR_LOG,
    FLOOR_START,
    GOOD,
    KEPT,
    NONE,
    REQUEST,
    is_acceptable,
    move,
    raise_floor,
    receive_sector,
    write_again,
)

TRIAL: Record = ("trial",)


class Exchange:
    """Three moves a chunk, each noted in the journal when done: run to lift, staged to run, lift to staging."""

    claims = frozenset(
        {Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.RETURNS, Claim.KEEPS},
    )
    initial = (("journal", KEPT), ("requests", NONE), FLOOR_START)
    start_area = "run"

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        last = len(ground.chunks) - 1
        forged = tuple(("move", k, phase, way) for k in (0, last) for phase in range(3) for way in ("in", "back"))
        self.logs = (
            LogSpec("journal", forgeable=(KEPT, TRIAL, *forged)),
            LogSpec("requests", forgeable=(REQUEST, GOOD, NONE)),
            FLOOR_LOG,
        )

    def step(self, port: Port, control: Control) -> Outcome:
        """Do one step: decide at power-up, move one chunk once, or receive one sector."""
        if control is POWER_UP:
            return self.decide(port)
        if isinstance(control, tuple):
            if control[0] == "move":
                return self.move(port, control)
            if control[0] == "receive":
                return self.receive(port, control[1], control[2])
        if isinstance(control, Offer):
            port.log("requests").append(NONE)  # a request still standing must not meet what is half received
            return Again(("receive", control, 0))
        if control is REPORT_GOOD:
            port.log("requests").append(GOOD)
            return Again(POWER_UP)
        return self.boot(port, on_trial=control == "trial")

    def decide(self, port: Port) -> Outcome:
        """Read the journal and the requests and choose what to do."""
        journal, requests = port.log("journal"), port.log("requests")
        write_again(port, self.logs)
        noted = journal.newest() or KEPT
        if noted[0] == "move":
            return Again(noted)
        asked = requests.newest()
        if noted == TRIAL:
            if asked == GOOD:
                return self.keep(port)
            return self.start(port, "back")
        if asked == REQUEST and self.is_staged_acceptable(port):
            return self.start(port, "in")
        if asked != NONE:
            requests.append(NONE)
        return self.boot(port, on_trial=False)

    def is_staged_acceptable(self, port: Port) -> bool:
        """Say whether the staged image is signed and not below the floor."""
        return is_acceptable(port, port.digest("stage"))

    def start(self, port: Port, way: str) -> Outcome:
        """Note the start of an exchange and begin."""
        first: Record = ("move", 0, 0, way)
        port.log("journal").append(first)
        return Again(first)

    def move(self, port: Port, control: Record) -> Outcome:
        """Make one of the three moves of a chunk and note what comes next."""
        index, phase, way = int(control[1]), int(control[2]), control[3]
        chunk = self.ground.chunks[index]
        source, target = (
            (chunk.run, chunk.lift),
            (chunk.stage, chunk.run),
            (chunk.lift, chunk.stage),
        )[phase]
        move(port, self.ground, source, target)
        following: Record
        if phase < 2:
            following = ("move", index, phase + 1, way)
        elif index + 1 < len(self.ground.chunks):
            following = ("move", index + 1, 0, way)
        else:
            return self.finish(port, str(way))
        port.log("journal").append(following)
        return Again(following)

    def finish(self, port: Port, way: str) -> Outcome:
        """Close an exchange: the new image goes on trial, the old one is kept again."""
        if way == "in":
            port.log("requests").append(NONE)  # a request still standing would install again after a failed trial
            port.log("journal").append(TRIAL)
            return Again("trial")
        port.log("journal").append(KEPT)
        port.log("requests").append(NONE)
        return Again("boot")

    def keep(self, port: Port) -> Outcome:
        """Keep the image that reported itself good: raise the floor, then close the trial."""
        digest = port.digest("run")
        if digest.version is not None:
            raise_floor(port, digest.version)
        port.log("journal").append(KEPT)
        port.log("requests").append(NONE)
        return Again("boot")

    def boot(self, port: Port, *, on_trial: bool) -> Outcome:
        """Check the run slot and run it; a trial image that does not check goes back at once."""
        digest = port.digest("run")
        if digest.version is None or not is_acceptable(port, digest):
            if on_trial:
                return self.start(port, "back")
            return Stuck("the run slot holds no authentic image")
        if on_trial:  # staging holds the way back: it stays closed during the trial
            return Run("run", on_trial=True, opens=frozenset({"requests"}))
        raise_floor(port, digest.version)
        return Run("run", opens=frozenset({"stage", "requests"}))

    def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
        """Receive one sector into staging; after the last, ask the boot stage to install."""
        if receive_sector(port, self.ground, "stage", offer, index):
            return Again(("receive", offer, index + 1))
        port.log("requests").append(REQUEST)
        return Again(POWER_UP)
