"""An update procedure of one's own: two slots with two link addresses, one selector log, no trial run.

`update.procedure = "two_slots:TwoSlots"` names it in a product file. docs/procedures.md explains it line by line.
"""

from __future__ import annotations

from collections.abc import Mapping

from rootwright.describe.product import Product
from rootwright.device.ground import Ground
from rootwright.device.port import POWER_UP, Again, Claim, Control, LogSpec, Offer, Outcome, Port, Run, Stuck
from rootwright.device.procedures import needs
from rootwright.device.procedures.parts import FLOOR_LOG, FLOOR_START, is_acceptable, receive_sector
from rootwright.layout.demand import BlockRole, Demand, Traits, Wear

SLOTS = ("run", "second")
TRAITS = Traits("two-slots", "Two slots, no trial", "2", "none", False, "two slots", True, "one restart")


class TwoSlots:
    """The selector says ("runs", slot), or ("asked", slot) once the application has received a whole image there."""

    claims = frozenset({Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.KEEPS})
    logs = (LogSpec("selector", forgeable=(("runs", 0), ("runs", 1), ("asked", 0), ("asked", 1))), FLOOR_LOG)
    initial = (("selector", ("runs", 0)), FLOOR_START)
    start_area = "run"

    def __init__(self, ground: Ground) -> None:
        self.ground = ground

    def step(self, port: Port, control: Control) -> Outcome:
        """Do one step: decide at power-up, or receive one sector while the application runs."""
        word, slot = port.log("selector").newest() or ("runs", 0)
        if control is POWER_UP:
            return self.decide(port, str(word), int(slot))
        if isinstance(control, Offer):
            return Again(("receive", control, 1 - int(slot), 0))
        if not isinstance(control, tuple):
            return Stuck("unknown control")
        _, offer, target, index = control
        if receive_sector(port, self.ground, SLOTS[target], offer, index):
            return Again(("receive", offer, target, index + 1))
        port.log("selector").append(("asked", target))
        return Again(POWER_UP)

    def decide(self, port: Port, word: str, slot: int) -> Outcome:
        """Take or refuse what the application asks for, and run a slot that checks."""
        port.log("selector").append((word, slot))  # it may be torn and read differently next time
        if word == "asked":
            digest = port.digest(SLOTS[slot])
            if digest.version is not None and is_acceptable(port, digest):
                port.log("floor").append(("floor", digest.version))
            else:
                slot = 1 - slot
            port.log("selector").append(("runs", slot))
        if not is_acceptable(port, port.digest(SLOTS[slot])):
            return Stuck(f"slot {slot} holds no authentic image")
        return Run(SLOTS[slot], opens=frozenset({SLOTS[1 - slot], "selector"}))

    @staticmethod
    def demand(product: Product, sizes: Mapping[str, int]) -> Demand:
        """Return what it asks of the memory map; `sizes` gives each image's bytes by name."""
        blocks = [b for b in needs.common_blocks(product, sizes) if b.name not in ("journal", "requests")]
        blocks.append(needs.log_block(product, "selector", BlockRole.SELECTOR))
        slots = [needs.slot_block(product, i, sizes, p) for p in SLOTS for i in product.updatable_images]
        logs = (needs.log_wear(product, "selector", 4), needs.log_wear(product, "floor", 1))
        wear = (*(Wear(slot.name, 0.5, 0.5) for slot in slots), *logs)
        return needs.finished(product, Demand(TRAITS, (*blocks, *slots), wear=wear, ram=4096 + 1024))
