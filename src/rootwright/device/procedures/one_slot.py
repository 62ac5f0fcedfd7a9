"""In-place and recovery-image: one slot that is written over; the device waits, or runs what can fetch."""

from __future__ import annotations

from rootwright.device.ground import Ground
from rootwright.device.port import (
    POWER_UP,
    Again,
    Claim,
    Control,
    Idle,
    LogSpec,
    Offer,
    Outcome,
    Port,
    Record,
    Run,
)
from rootwright.device.procedures.parts import (
    FLOOR_LOG,
    FLOOR_START,
    KEPT,
    NONE,
    floor_version,
    is_acceptable,
    raise_floor,
    receive_sector,
    write_again,
)

LOAD: Record = ("load",)


class InPlace:
    """The boot stage itself receives an image into the only slot; until that is whole the device waits for the loader.

    A journal record stands before the first erase: a torn erase may still read like the old image.
    """

    claims = frozenset({Claim.APPROVED_ONLY, Claim.BOOTS_OR_WAITS, Claim.ENDS, Claim.FLOOR, Claim.KEEPS})
    logs = (
        LogSpec("journal", forgeable=(KEPT, LOAD)),
        LogSpec("requests", forgeable=(LOAD, NONE)),
        FLOOR_LOG,
    )
    initial = (("journal", KEPT), ("requests", NONE), FLOOR_START)
    start_area = "run"

    def __init__(self, ground: Ground) -> None:
        self.ground = ground

    def step(self, port: Port, control: Control) -> Outcome:
        """Do one step: decide at power-up, or receive one sector."""
        if control is POWER_UP:
            return self.decide(port)
        if isinstance(control, Offer):
            return self.take(port, control)
        if isinstance(control, tuple) and control[0] == "receive":
            return self.receive(port, control[1], control[2])
        return self.boot(port)

    def decide(self, port: Port) -> Outcome:
        """Wait for the loader where a load was asked for or begun, else boot."""
        write_again(port, self.logs)
        if port.log("journal").newest() == LOAD or port.log("requests").newest() == LOAD:
            port.log("journal").append(LOAD)
            return self.wait(port)
        return self.boot(port)

    def wait(self, port: Port) -> Outcome:
        """Wait for the loader."""
        return Idle("loader")

    def boot(self, port: Port) -> Outcome:
        """Check the slot and run it, else wait for the loader."""
        digest = port.digest("run")
        if digest.version is None or not is_acceptable(port, digest):
            port.log("journal").append(LOAD)
            return self.wait(port)
        raise_floor(port, digest.version)
        return Run("run", opens=frozenset({"requests"}))

    def take(self, port: Port, offer: Offer) -> Outcome:
        """Look at the manifest: an update below the floor is refused before anything is erased.

        The running application only asks for the loader; the loader, with the load noted, receives.
        """
        if offer.version < floor_version(port):
            return Again(POWER_UP)
        if port.log("journal").newest() != LOAD:
            port.log("requests").append(LOAD)
            return Again(POWER_UP)
        return Again(("receive", offer, 0))

    def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
        """Receive one sector into the slot; after the last, check the whole."""
        if receive_sector(port, self.ground, "run", offer, index):
            return Again(("receive", offer, index + 1))
        return self.finish(port)

    def finish(self, port: Port) -> Outcome:
        """Close the load when the slot holds an acceptable image."""
        digest = port.digest("run")
        if digest.version is None or not is_acceptable(port, digest):
            return self.wait(port)
        raise_floor(port, digest.version)
        port.log("requests").append(NONE)
        port.log("journal").append(KEPT)
        return Again("boot")


class RecoveryImage(InPlace):
    """A small permanent image fetches: whenever the slot cannot run, the recovery image does."""

    claims = frozenset({Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.KEEPS})

    def wait(self, port: Port) -> Outcome:
        """Run the recovery image, which takes offers as the loader does."""
        return Run("recovery", opens=frozenset())
