"""A broken procedure whose mistake shows only where a part's settings area also holds its write protection."""

from __future__ import annotations

from rootwright.describe.product import Attacker, Procedure
from rootwright.device.port import POWER_UP, Again, Claim, Outcome, Port
from rootwright.device.procedures.either_slot import BankFlip
from rootwright.device.procedures.parts import GOOD, write_again
from rootwright.prove.broken import Broken


class BankBelieved(BankFlip):
    """Looks at the bank that is mapped low, and never asks whether the settings area is whole."""

    def decide(self, port: Port) -> Outcome:
        """Flip the banks where the journal asks for it, as the sound procedure does."""
        write_again(port, self.logs)
        word, slot = self.noted(port)
        if word == "fresh" and port.settings() == slot:
            return self.begin_trial(port, slot)
        if word == "kept" and port.settings() == slot:
            return self.decide_kept(port, slot)
        if word == "trial":
            return self.keep(port, slot) if port.log("requests").newest() == GOOD else self.go_back(port, slot)
        port.program_settings(slot)
        return Again(POWER_UP)


BROKEN_SETTINGS: tuple[Broken, ...] = (
    Broken(
        "bank-believed",
        "the right bank is low, so the settings are taken for whole",
        "A torn settings area falls back to its default. That can map the right bank, and protect nothing.",
        Procedure.BANK_FLIP,
        BankBelieved,
        Claim.APPROVED_ONLY,
        1,
        frozenset({Attacker.EXPLOITED_APPLICATION}),
        also=frozenset({Claim.BOOTS, Claim.RETURNS, Claim.FLOOR}),
    ),
)
"""Explored beside the others where the part file says that the area guards write protection."""
