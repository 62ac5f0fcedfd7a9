"""Update procedures with one mistake each: a checker that lets one of them pass has no teeth.

Every mistake is one that a careful engineer can make. The cuts that kill each are known, from two explorers written
apart; on a product's own map the same mistakes must be found again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from rootwright.describe.product import Attacker, Procedure
from rootwright.device.content import VERSION_OF_KIND, kind_of
from rootwright.device.ground import Ground
from rootwright.device.port import POWER_UP, Again, Claim, Control, Offer, Outcome, Port, Record, Run, UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import SLOTS, BankFlip, EitherSlot
from rootwright.device.procedures.exchange import Exchange
from rootwright.device.procedures.one_slot import InPlace
from rootwright.device.procedures.parts import (
    KEPT,
    NONE,
    REQUEST,
    cells_of,
    floor_version,
    move,
    payload_cell,
    raise_floor,
)


@dataclass(frozen=True, slots=True)
class Broken:
    """One broken procedure.

    Attributes:
        name: Short name, for command lines and tests.
        title: What is wrong, in a few words.
        why: Why somebody builds it so, and what happens then.
        base: The sound procedure that it is a change of.
        make: Makes it for a ground.
        claim: What it fails.
        cuts: The fewest power cuts that make it fail on a ground with two sectors of one cell in each area.
        needs: Attackers without whom it does not fail.
        external_staging: Whether the staging area must lie in external memory for it to fail.
        also: Other claims that it fails with as few cuts.
    """

    name: str
    title: str
    why: str
    base: Procedure
    make: Callable[[Ground], UpdateProcedure]
    claim: Claim
    cuts: int
    needs: frozenset[Attacker] = frozenset()
    external_staging: bool = False
    also: frozenset[Claim] = frozenset()

    @property
    def claims(self) -> frozenset[Claim]:
        """All claims that it fails with the fewest cuts."""
        return self.also | {self.claim}


class NotedBeforeDone(Exchange):
    """Notes a move in the journal before it is made."""

    def move(self, port: Port, control: Record) -> Outcome:
        """Note what comes next, then make the move."""
        following = self._following(control)
        if following is None:
            return super().move(port, control)
        port.log("journal").append(following)
        index, phase = int(control[1]), int(control[2])
        chunk = self.ground.chunks[index]
        ways = ((chunk.run, chunk.lift), (chunk.stage, chunk.run), (chunk.lift, chunk.stage))
        move(port, self.ground, *ways[phase])
        return Again(following)

    def _following(self, control: Record) -> Record | None:
        index, phase, way = int(control[1]), int(control[2]), control[3]
        if phase < 2:
            return ("move", index, phase + 1, way)
        return ("move", index + 1, 0, way) if index + 1 < len(self.ground.chunks) else None


class OneHalfJournal(Exchange):
    """Keeps its journal in one sector, erased in place when it is full."""

    def __init__(self, ground: Ground) -> None:
        super().__init__(ground)
        self.logs = (replace(self.logs[0], halves=1), *self.logs[1:])


class OneHalfSelector(EitherSlot):
    """Keeps the record of which slot runs in one sector that is rewritten."""

    logs = (replace(EitherSlot.logs[0], halves=1), *EitherSlot.logs[1:])


class FloorRaisedLast(CopyOver):
    """Raises the floor after everything else, and only when it installs."""

    def finish(self, port: Port) -> Outcome:
        """Check the copy, close the journal and the request, raise the floor."""
        digest = port.digest("run")
        if digest.version is None or digest.version < floor_version(port):
            return super().finish(port)
        port.log("journal").append(KEPT)
        port.log("requests").append(NONE)
        raise_floor(port, digest.version)
        return Again("boot")

    def boot(self, port: Port) -> Outcome:
        """Check the run slot and run it; a slot that does not check is left to the sound procedure."""
        digest = port.digest("run")
        if digest.version is None or digest.version < floor_version(port):
            return super().boot(port)
        return Run("run", opens=self.opens)


class NoFloorCheck(CopyOver):
    """Checks the signature, but not the version."""

    def is_staged_acceptable(self, port: Port) -> bool:
        """Say whether the staged image is signed."""
        return port.digest("stage").version is not None

    def finish(self, port: Port) -> Outcome:
        """Check the signature of the copy, close the request and the journal."""
        if port.digest("run").version is None:
            return Again(("copy", 0))
        port.log("journal").append(KEPT)
        port.log("requests").append(NONE)
        return Again("boot")

    def boot(self, port: Port) -> Outcome:
        """Check the signature of the run slot and run it; an empty slot is left to the sound procedure."""
        digest = port.digest("run")
        if digest.version is None:
            return super().boot(port)
        raise_floor(port, digest.version)
        return Run("run", opens=self.opens)


class NoTrial(Exchange):
    """Keeps a new image at once, though there would be a way back."""

    def finish(self, port: Port, way: str) -> Outcome:
        """Close an exchange either way as kept."""
        return super().finish(port, "back")


class CheckedBeforeCopyOnly(CopyOver):
    """Checks the staged image, then trusts the copy of it."""

    def finish(self, port: Port) -> Outcome:
        """Raise the floor to what staging holds, close the request and the journal."""
        staged = port.digest("stage").version
        if staged is not None:
            raise_floor(port, staged)
        port.log("journal").append(KEPT)
        port.log("requests").append(NONE)
        return Again("boot")

    def boot(self, port: Port) -> Outcome:
        """Run what was copied."""
        return Run("run", opens=self.opens)


class EraseSkipped(InPlace):
    """Saves the erase of a sector that reads blank."""

    def receive(self, port: Port, offer: Offer, index: int) -> Outcome:
        """Receive one sector, erased only where it does not read blank."""
        sectors = self.ground.area("run")
        sector = sectors[index]
        if not port.is_blank(sector):
            port.erase(sector)
        for cell in range(self.ground.sectors[sector].cells):
            port.program(sector, cell, payload_cell(self.ground, "run", offer, sector, cell))
        return Again(("receive", offer, index + 1)) if index + 1 < len(sectors) else self.finish(port)


class LiftOverKeep(Exchange):
    """Has its lift sector one sector too far, where the product's own data are kept."""

    def __init__(self, ground: Ground) -> None:
        keep = ground.keep[0]
        super().__init__(replace(ground, chunks=tuple(replace(chunk, lift=(keep,)) for chunk in ground.chunks)))


class RequestNeverClosed(CopyOver):
    """Leaves it to the new application to clear the request that installed it, but resets before that."""

    def finish(self, port: Port) -> Outcome:
        """Close the journal and reset."""
        port.log("journal").append(KEPT)
        return Again(POWER_UP)


class RequestClosedFirst(CopyOver):
    """Closes the request before the copy, and has no other note of it."""

    def decide(self, port: Port) -> Outcome:
        """Take the request, then copy."""
        if port.log("requests").newest() == REQUEST:
            acceptable = self.is_staged_acceptable(port)
            port.log("requests").append(NONE)
            if acceptable:
                return Again(("copy", 0))
        return self.boot(port)


class TornRecordTrusted(Exchange):
    """Writes journal records without a check code."""

    def __init__(self, ground: Ground) -> None:
        super().__init__(ground)
        self.logs = (replace(self.logs[0], check_code=False), *self.logs[1:])


class NoNoteBeforeErase(InPlace):
    """Relies on the digest to see at power-up that the slot is only half written."""

    def decide(self, port: Port) -> Outcome:
        """Wait where a load was asked for, else boot."""
        if port.log("requests").newest() == ("load",):
            port.log("requests").append(NONE)
            return self.wait(port)
        return self.boot(port)

    def boot(self, port: Port) -> Outcome:
        """Check the slot and run it, else wait for the loader."""
        digest = port.digest("run")
        if digest.version is None or digest.version < floor_version(port):
            return self.wait(port)
        raise_floor(port, digest.version)
        return Run("run", opens=frozenset({"requests"}))

    def take(self, port: Port, offer: Offer) -> Outcome:
        """Refuse what is below the floor; receive anything else at once."""
        return Again(POWER_UP) if offer.version < floor_version(port) else Again(("receive", offer, 0))


class WayBackOpen(Exchange):
    """Leaves staging writable during the trial, when it holds the only way back."""

    def boot(self, port: Port, *, on_trial: bool) -> Outcome:
        """Run as the sound procedure does, with staging open."""
        outcome = super().boot(port, on_trial=on_trial)
        return replace(outcome, opens=outcome.opens | {"stage"}) if isinstance(outcome, Run) else outcome


class NoDigestAfterExchange(Exchange):
    """Checks an image in staging, exchanges it, and runs it unseen."""

    def boot(self, port: Port, *, on_trial: bool) -> Outcome:
        """Run what was exchanged; check only what was kept."""
        if on_trial:
            return Run("run", on_trial=True, opens=frozenset({"requests"}))
        return super().boot(port, on_trial=False)


class AnyLinkAccepted(EitherSlot):
    """Accepts an image that is signed for any slot, not only for the one it lies in."""

    def is_slot_acceptable(self, port: Port, slot: int) -> bool:
        """Say whether a slot holds one signed image, whatever it is linked for."""
        return self._is_signed_anywhere(port, slot)

    def boot(self, port: Port, slot: int, *, on_trial: bool) -> Outcome:
        """Run a slot that holds a signed image, whatever it is linked for."""
        if on_trial and self._is_signed_anywhere(port, slot):
            return Run(SLOTS[slot], on_trial=True, opens=frozenset({"requests"}))
        return super().boot(port, slot, on_trial=on_trial)

    def _is_signed_anywhere(self, port: Port, slot: int) -> bool:
        sectors = list(self.ground.area(SLOTS[slot]))
        found = [kind_of(port.read(sector, cell)) for sector, cell in cells_of(self.ground, sectors)]
        first = found[0]
        if first is None or first[0] not in VERSION_OF_KIND or VERSION_OF_KIND[first[0]] < floor_version(port):
            return False
        return all(content is not None and content[:2] == first[:2] for content in found)


class FloorRaisedEarly(Exchange):
    """Raises the version floor when the trial begins."""

    def boot(self, port: Port, *, on_trial: bool) -> Outcome:
        """Run as the sound procedure does, after raising the floor."""
        outcome = super().boot(port, on_trial=on_trial)
        version = port.digest("run").version
        if isinstance(outcome, Run) and version is not None:
            raise_floor(port, version)
        return outcome


class ResumesTooFar(NotedBeforeDone):
    """Notes a move when it begins, and after a power cut goes on with the next one."""

    def move(self, port: Port, control: Record) -> Outcome:
        """Make one move as the sound procedure does."""
        return Exchange.move(self, port, control)

    def decide(self, port: Port) -> Outcome:
        """Go on behind the noted move, else choose as the sound procedure does."""
        noted = port.log("journal").newest() or KEPT
        following = self._following(noted) if noted[0] == "move" else None
        if following is None:
            return super().decide(port)
        port.log("journal").append(following)
        return Again(following)


class FlippedBeforeNoted(BankFlip):
    """Programs the settings word before the journal says so, and believes the word at power-up."""

    def decide(self, port: Port) -> Outcome:
        """Take the bank that is mapped low for the kept one, unless the journal speaks of a trial."""
        word, slot = self.noted(port)
        low = port.settings()
        if word == "kept" and low != slot:
            port.log("journal").append(("kept", low))
            return self.decide_kept(port, low)
        return super().decide(port)

    def decide_kept(self, port: Port, slot: int) -> Outcome:
        """Flip the banks when asked, then note it."""
        asked = port.log("requests").newest() or NONE
        if asked[0] == "request" and asked[1] == 1 - slot and self.is_slot_acceptable(port, 1 - slot):
            port.program_settings(1 - slot)
            port.log("journal").append(("fresh", 1 - slot))
            return Again(POWER_UP)
        return super().decide_kept(port, slot)

    def go_back(self, port: Port, slot: int) -> Outcome:
        """Flip the banks back, then note it."""
        port.program_settings(1 - slot)
        return super().go_back(port, slot)


class KeptAfterAnyReset(EitherSlot):
    """Takes a trial image that came through a reset for a good one."""

    def go_back(self, port: Port, slot: int) -> Outcome:
        """Keep the slot on trial."""
        return self.keep(port, slot)


class CopyNotNoted(CopyOver):
    """Clears the request as soon as the last chunk is copied, before the copy is checked, and keeps no journal."""

    def decide(self, port: Port) -> Outcome:
        """Copy while a request stands."""
        if port.log("requests").newest() == REQUEST and self.is_staged_acceptable(port):
            return Again(("copy", 0))
        return self.boot(port)

    def step(self, port: Port, control: Control) -> Outcome:
        """Close the request before the last chunk is copied; else step as the sound procedure does."""
        if control == ("copy", len(self.ground.chunks) - 1):
            port.log("requests").append(NONE)
        return super().step(port, control)


_BUS = frozenset({Attacker.EXTERNAL_BUS})
_APPLICATION = frozenset({Attacker.EXPLOITED_APPLICATION})

BROKEN: tuple[Broken, ...] = (
    Broken(
        "noted-before-done",
        "a move is noted before it is made",
        "The note is written first because it is short. A cut then leaves a move that nobody makes any more.",
        Procedure.EXCHANGE_FIXED,
        NotedBeforeDone,
        Claim.BOOTS,
        1,
    ),
    Broken(
        "one-half-journal",
        "the journal has one sector",
        "A second sector looks like waste. A cut while the full journal is erased leaves an older record or none.",
        Procedure.EXCHANGE_FIXED,
        OneHalfJournal,
        Claim.BOOTS,
        1,
        also=frozenset({Claim.RETURNS}),
    ),
    Broken(
        "one-half-selector",
        "the selector has one sector",
        "Which slot runs is one small record, rewritten in place. A cut leaves an older one, or none.",
        Procedure.EITHER_SLOT,
        OneHalfSelector,
        Claim.RETURNS,
        1,
        also=frozenset({Claim.BOOTS}),
    ),
    Broken(
        "floor-raised-last",
        "the floor is raised when all else is done",
        "It is the last thing on the list. After a cut just before it the floor stays where it was for good.",
        Procedure.COPY_OVER,
        FloorRaisedLast,
        Claim.FLOOR,
        1,
    ),
    Broken(
        "no-floor-check",
        "the version is not checked",
        "A good signature feels like enough. Any older release with a known hole has one as well.",
        Procedure.COPY_OVER,
        NoFloorCheck,
        Claim.FLOOR,
        0,
    ),
    Broken(
        "no-trial",
        "a new image is kept at once",
        "The old image is there, but nothing ever asks the new one whether it works.",
        Procedure.EXCHANGE_FIXED,
        NoTrial,
        Claim.RETURNS,
        0,
    ),
    Broken(
        "checked-before-copy-only",
        "checked in external staging, not where it runs",
        "One digest is quicker than two. Whoever sits on the external bus shows one image to the check and another "
        "to the copy.",
        Procedure.COPY_OVER,
        CheckedBeforeCopyOnly,
        Claim.APPROVED_ONLY,
        0,
        _BUS,
        external_staging=True,
        also=frozenset({Claim.FLOOR}),
    ),
    Broken(
        "erase-skipped",
        "a sector that reads blank is not erased",
        "It saves time and wear. A cut erase can read blank and still be weak.",
        Procedure.IN_PLACE,
        EraseSkipped,
        Claim.APPROVED_ONLY,
        1,
    ),
    Broken(
        "lift-over-keep",
        "the lift sector lies on a keep-area",
        "One sector off in the map, and the calibration data are gone.",
        Procedure.EXCHANGE_FIXED,
        LiftOverKeep,
        Claim.KEEPS,
        0,
    ),
    Broken(
        "request-never-closed",
        "the request is closed too late",
        "The boot stage resets to start what it has just installed, meets the same request, and installs it again.",
        Procedure.COPY_OVER,
        RequestNeverClosed,
        Claim.ENDS,
        0,
    ),
    Broken(
        "request-closed-first",
        "the request is closed before the copy",
        "The request is taken off the list first. After a cut nothing says that a copy was under way.",
        Procedure.COPY_OVER,
        RequestClosedFirst,
        Claim.BOOTS,
        1,
        also=frozenset({Claim.APPROVED_ONLY}),
    ),
    Broken(
        "torn-record-trusted",
        "journal records have no check code",
        "A record is one small write, which cannot tear. It can, and then it reads as a record that nobody wrote.",
        Procedure.EXCHANGE_FIXED,
        TornRecordTrusted,
        Claim.BOOTS,
        1,
        also=frozenset({Claim.RETURNS}),
    ),
    Broken(
        "no-note-before-erase",
        "nothing is noted before the slot is erased",
        "The digest shows whether the slot is whole. A slot whose erase was cut can still read whole.",
        Procedure.IN_PLACE,
        NoNoteBeforeErase,
        Claim.APPROVED_ONLY,
        1,
    ),
    Broken(
        "way-back-open",
        "staging stays writable during the trial",
        "The application may write to staging at any other time. During a trial it holds the only way back.",
        Procedure.EXCHANGE_FIXED,
        WayBackOpen,
        Claim.BOOTS,
        0,
        _APPLICATION,
    ),
    Broken(
        "no-digest-after-exchange",
        "an exchanged image runs unseen",
        "It was checked in staging a moment ago. In external memory that was another image.",
        Procedure.EXCHANGE_FIXED,
        NoDigestAfterExchange,
        Claim.APPROVED_ONLY,
        0,
        _BUS,
        external_staging=True,
        also=frozenset({Claim.FLOOR}),
    ),
    Broken(
        "any-link-accepted",
        "an image linked for the other slot is accepted",
        "The signature is good, whichever slot the image was linked for. It jumps into the other slot.",
        Procedure.EITHER_SLOT,
        AnyLinkAccepted,
        Claim.APPROVED_ONLY,
        0,
    ),
    Broken(
        "floor-raised-early",
        "the floor rises before the good report",
        "The new image runs, so the floor is raised. When its trial fails the old one lies below the floor.",
        Procedure.EXCHANGE_FIXED,
        FloorRaisedEarly,
        Claim.BOOTS,
        0,
    ),
    Broken(
        "resumes-too-far",
        "after a cut the next move is made, not the noted one",
        "Is the note written when a move begins or when it is done? Two people thought differently.",
        Procedure.EXCHANGE_FIXED,
        ResumesTooFar,
        Claim.BOOTS,
        1,
    ),
    Broken(
        "flipped-before-noted",
        "the banks are flipped before the journal says so",
        "The settings word itself says which bank runs. After a cut it says so of an image that was never on trial.",
        Procedure.BANK_FLIP,
        FlippedBeforeNoted,
        Claim.RETURNS,
        1,
    ),
    Broken(
        "kept-after-any-reset",
        "an image that came through a reset is kept",
        "It runs, so it must be good. A watchdog reset is a reset as well.",
        Procedure.EITHER_SLOT,
        KeptAfterAnyReset,
        Claim.RETURNS,
        0,
    ),
    Broken(
        "copy-not-noted",
        "the request is closed before the last chunk",
        "Closing it early saves a power-up. A cut in the last chunk leaves half an image that nobody copies again.",
        Procedure.COPY_OVER,
        CopyNotNoted,
        Claim.BOOTS,
        1,
    ),
)
"""All broken procedures, in the order in which they are shown."""
