"""Either-slot and bank-flip: two images stay where they are, and a record (or a settings word) says which one runs."""

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
    NONE,
    is_acceptable,
    raise_floor,
    receive_sector,
    write_again,
)

SLOTS = ("run", "second")


class EitherSlot:
    """Two slots with two link addresses; a small journal names the slot that runs and whether it is on trial.

    The journal says ("kept", slot), ("fresh", slot) before a trial run and ("trial", slot) during it.
    """

    claims = frozenset(
        {Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.RETURNS, Claim.KEEPS},
    )
    logs = (
        LogSpec("journal", forgeable=tuple((word, slot) for word in ("kept", "fresh", "trial") for slot in (0, 1))),
        LogSpec("requests", forgeable=(("request", 0), ("request", 1), GOOD, NONE)),
        FLOOR_LOG,
    )
    initial: tuple[tuple[str, Record], ...] = (("journal", ("kept", 0)), ("requests", NONE), FLOOR_START)
    start_area = "run"

    def __init__(self, ground: Ground) -> None:
        self.ground = ground

    def step(self, port: Port, control: Control) -> Outcome:
        """Do one step: decide at power-up, or receive one sector into the slot that does not run."""
        if control is POWER_UP:
            return self.decide(port)
        if isinstance(control, tuple):
            if control[0] == "receive":
                return self.receive(port, control[1], control[2], control[3])
            if control[0] == "trial":
                return self.boot(port, control[1], on_trial=True)
            if control[0] == "kept":
                return self.boot(port, control[1], on_trial=False)
        if isinstance(control, Offer):
            port.log("requests").append(NONE)  # a request still standing must not meet what is half received
            return Again(("receive", control, 1 - self.noted(port)[1], 0))
        if control is REPORT_GOOD:
            port.log("requests").append(GOOD)
            return Again(POWER_UP)
        return Stuck("unknown control")

    def noted(self, port: Port) -> tuple[str, int]:
        """Return what the journal says: word and slot number."""
        record = port.log("journal").newest() or ("kept", 0)
        return str(record[0]), int(record[1])

    def decide(self, port: Port) -> Outcome:
        """Read the journal and the requests and choose what to run."""
        write_again(port, self.logs)
        word, slot = self.noted(port)
        asked = port.log("requests").newest() or NONE
        if word == "trial":
            if asked == GOOD:
                return self.keep(port, slot)
            return self.go_back(port, slot)
        if word == "fresh":
            return self.begin_trial(port, slot)
        if asked[0] == "request" and asked[1] == 1 - slot and self.is_slot_acceptable(port, 1 - slot):
            port.log("journal").append(("fresh", 1 - slot))
            return self.begin_trial(port, 1 - slot)
        if asked != NONE:
            port.log("requests").append(NONE)
        return Again(("kept", slot))

    def is_slot_acceptable(self, port: Port, slot: int) -> bool:
        """Say whether a slot holds an image that is signed for it and not below the floor."""
        return is_acceptable(port, port.digest(SLOTS[slot]))

    def begin_trial(self, port: Port, slot: int) -> Outcome:
        """Close the request, then note the trial: from here on only a good report keeps the new image."""
        port.log("requests").append(NONE)
        port.log("journal").append(("trial", slot))
        return Again(("trial", slot))

    def go_back(self, port: Port, slot: int) -> Outcome:
        """Put the other slot back after a failed trial."""
        port.log("journal").append(("kept", 1 - slot))
        return Again(("kept", 1 - slot))

    def keep(self, port: Port, slot: int) -> Outcome:
        """Keep the image that reported itself good: raise the floor, then close the trial."""
        digest = port.digest(SLOTS[slot])
        if digest.version is not None:
            raise_floor(port, digest.version)
        port.log("journal").append(("kept", slot))
        port.log("requests").append(NONE)
        return Again(("kept", slot))

    def boot(self, port: Port, slot: int, *, on_trial: bool) -> Outcome:
        """Check a slot and run it; a trial image that does not check goes back at once."""
        digest = port.digest(SLOTS[slot])
        if digest.version is None or not is_acceptable(port, digest):
            return self.go_back(port, slot) if on_trial else Stuck("the kept slot holds no authentic image")
        if on_trial:
            return Run(SLOTS[slot], on_trial=True, opens=frozenset({"requests"}))
        raise_floor(port, digest.version)
        return Run(SLOTS[slot], opens=frozenset({SLOTS[1 - slot], "requests"}))

    def receive(self, port: Port, offer: Offer, slot: int, index: int) -> Outcome:
        """Receive one sector into a slot; after the last, ask the boot stage to try it."""
        if receive_sector(port, self.ground, SLOTS[slot], offer, index):
            return Again(("receive", offer, slot, index + 1))
        port.log("requests").append(("request", slot))
        return Again(POWER_UP)


class BankFlip(EitherSlot):
    """Two hardware banks: a settings word says which is mapped low, so both images have one link address.

    The boot stage lives in both banks. It brings the settings word in line with the journal; programming the word
    resets the core, so a torn word is met by the same code again. A settings area in its default state may map the
    right bank and protect nothing, so it is programmed again before anything runs.
    """

    def decide(self, port: Port) -> Outcome:
        """Flip the banks where the journal asks for it, else choose as for either slot."""
        write_again(port, self.logs)
        word, slot = self.noted(port)
        if not port.is_settings_whole():
            port.program_settings(port.settings())
            return Again(POWER_UP)
        if word == "fresh" and port.settings() == slot:
            return self.begin_trial(port, slot)
        if word == "kept" and port.settings() == slot:
            return self.decide_kept(port, slot)
        if word == "trial":
            if port.log("requests").newest() == GOOD:
                return self.keep(port, slot)
            return self.go_back(port, slot)
        port.program_settings(slot)
        return Again(POWER_UP)

    def decide_kept(self, port: Port, slot: int) -> Outcome:
        """Look for a request; a good one is noted, and the next reset flips the banks."""
        asked = port.log("requests").newest() or NONE
        if asked[0] == "request" and asked[1] == 1 - slot and self.is_slot_acceptable(port, 1 - slot):
            port.log("journal").append(("fresh", 1 - slot))
            return Again(POWER_UP)
        if asked != NONE:
            port.log("requests").append(NONE)
        return Again(("kept", slot))

    def go_back(self, port: Port, slot: int) -> Outcome:
        """Put the other bank back after a failed trial; the reset that follows flips."""
        port.log("journal").append(("kept", 1 - slot))
        return Again(POWER_UP)
