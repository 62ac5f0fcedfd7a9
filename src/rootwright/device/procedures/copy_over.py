"""Copy-over: a staged image is copied over the run slot; two images, one copy, no way back."""

from __future__ import annotations

from rootwright.device.ground import Ground
from rootwright.device.port import (
    POWER_UP,
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
    KEPT,
    NONE,
    REQUEST,
    is_acceptable,
    move,
    raise_floor,
    receive_sector,
    write_again,
)

COPY: Record = ("copy",)


class CopyOver:
    """The boot stage checks the staged image, notes the copy in its journal, copies, checks again, then runs."""

    claims = frozenset(
        {Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.KEEPS},
    )
    logs = (
        LogSpec("journal", forgeable=(COPY, KEPT)),
        LogSpec("requests", forgeable=(REQUEST, NONE)),
        FLOOR_LOG,
    )
    initial = (("journal", KEPT), ("requests", NONE), FLOOR_START)
    start_area = "run"
    opens = frozenset({"stage", "requests"})

    def __init__(self, ground: Ground) -> None:
        self.ground = ground

    def step(self, port: Port, control: Control) -> Outcome:
        """Do one step: decide at power-up, copy one chunk, or receive one sector."""
        if control is POWER_UP:
            return self.decide(port)
        if isinstance(control, Offer):
            port.log("requests").append(NONE)  # a request still standing must not meet what is half received
            return Again(("receive", control, 0))
        if isinstance(control, tuple):
            if control[0] == "copy":
                return self.copy(port, control[1])
            if control[0] == "receive":
                return self.receive(port, control[1], control[2])
        return self.boot(port)

    def decide(self, port: Port) -> Outcome:
        """Read the journal and the requests and choose what to do."""
        write_again(port, self.logs)
        if port.log("journal").newest() == COPY:
            return Again(("copy", 0))
        if port.log("requests").newest() == REQUEST:
            if self.is_staged_acceptable(port):
                port.log("journal").append(COPY)
                return Again(("copy", 0))
            port.log("requests").append(NONE)
        return self.boot(port)

    def is_staged_acceptable(self, port: Port) -> bool:
        """Say whether the staged image is signed and not below the floor."""
        return is_acceptable(port, port.digest("stage"))

    def copy(self, port: Port, index: int) -> Outcome:
        """Copy one chunk; after the last, check what was written before anything else relies on it."""
        chunk = self.ground.chunks[index]
        move(port, self.ground, chunk.stage, chunk.run)
        if index + 1 < len(self.ground.chunks):
            return Again(("copy", index + 1))
        return self.finish(port)

    def finish(self, port: Port) -> Outcome:
        """Check the copy, raise the floor, close the request and the journal."""
        digest = port.digest("run")
        if digest.version is None or not is_acceptable(port, digest):
            return Again(("copy", 0)) if self.is_staged_acceptable(port) else Stuck("staged image changed while copied")
        raise_floor(port, digest.version)
        port.log("journal").append(KEPT)
        port.log("requests").append(NONE)
        return Again("boot")

    def boot(self, port: Port) -> Outcome:
        """Check the run slot and run it."""
        digest = port.digest("run")
        if digest.version is None or not is_acceptable(port, digest):
            return Stuck("the run slot holds no authentic image")
        raise_floor(port, digest.version)
        return Run("run", opens=self.opens)

    def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
        """Receive one sector into staging; after the last, ask the boot stage to install."""
        if receive_sector(port, self.ground, "stage", offer, index):
            return Again(("receive", offer, index + 1))
        port.log("requests").append(REQUEST)
        return Again(POWER_UP)
