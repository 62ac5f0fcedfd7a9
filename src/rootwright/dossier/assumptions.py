"""What every verdict takes for granted: each assumption with a stable id, and what follows if it is false.

Most come from the model of docs/model.md; the rest say what stands between a verdict and a device in the field. A
product answers one in an `[[assumption]]` table, by id, with who answers for it and where in the data sheet it stands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rootwright.describe.chip import BlankRead, EccError, MemoryKind
from rootwright.describe.product import Attacker, Procedure, Product

OPEN = "open"
"""What stands in the register where nobody answers."""


@dataclass(frozen=True, slots=True)
class KnownAssumption:
    """One assumption of the tool.

    Attributes:
        id: Stable name, for `[[assumption]]` tables.
        about: "part", "boot stage", "product" or "people": where the answer is to be found.
        statement: What is taken for granted.
        if_false: What then does not hold any more.
        applies: Whether it matters for a product.
    """

    id: str
    about: str
    statement: str
    if_false: str
    applies: Callable[[Product], bool] = lambda _: True


@dataclass(frozen=True, slots=True)
class RegisterRow:
    """One assumption with the product's answer.

    Attributes:
        owner: Who answers for it, or "open".
        page: Data-sheet page or other place, or "open".
    """

    known: KnownAssumption
    owner: str
    page: str

    @property
    def is_open(self) -> bool:
        """Whether the owner or the page is missing."""
        return OPEN in (self.owner, self.page)


def _has_external(product: Product) -> bool:
    return any(memory.kind is MemoryKind.EXTERNAL for memory in product.chip.memories)


ASSUMPTIONS: tuple[KnownAssumption, ...] = (
    KnownAssumption(
        "torn-program",
        "part",
        "A program that is cut short leaves the unit as before, as programmed, or undecodable; nothing else changes.",
        "Contents that no state of the model has; the verdicts under power cuts do not hold.",
    ),
    KnownAssumption(
        "torn-erase",
        "part",
        "An erase that is cut short leaves each cell as before, blank, all programmed or undecodable, and touches only "
        "the sectors of its command.",
        "A cut can damage a sector that the procedure counts on; the verdicts under power cuts do not hold.",
    ),
    KnownAssumption(
        "erase-settles",
        "part",
        "A completed erase makes every cell of the sector fully blank, whatever was in it; programming alone does not.",
        "Content written over a weak sector may fade after it was checked; an image can become unreadable later.",
    ),
    KnownAssumption(
        "steady-cells",
        "part",
        "A half-programmed cell settles at its first read and then stays (the steady level).",
        "Only the verdicts of the restless level count.",
    ),
    KnownAssumption(
        "undecodable-caught",
        "boot stage",
        "Boot stage and application catch what reading an undecodable unit raises, and read on.",
        "After a power cut the device can start over and over, at the same read; a watchdog makes it no better.",
        lambda p: any(memory.ecc_error in (EccError.FAULT, EccError.NMI) for memory in p.chip.memories),
    ),
    KnownAssumption(
        "supply-watch",
        "part",
        "Below the supply voltage at which flash works, the part stops all work and starts again at power-up.",
        "Code may run wild or write in a sagging supply, which the model has no state for.",
    ),
    KnownAssumption(
        "power-up-memory",
        "boot stage",
        "After a reset the boot stage trusts nothing in RAM.",
        "An exploited application can leave it instructions across a reset.",
    ),
    KnownAssumption(
        "settings-load",
        "part",
        "A settings word that is cut short loads as its old value, its new value or its default; loading it resets.",
        "The wrong bank may be mapped low, or none; the verdict on bank-flip does not hold.",
        lambda p: p.update.procedure == Procedure.BANK_FLIP,
    ),
    KnownAssumption(
        "settings-closed",
        "part",
        "An exploited application can not program the settings area: it is locked, or its registers are out of reach.",
        "It maps the bank of its choice low, or lifts write protection that the area holds.",
        lambda p: p.update.procedure == Procedure.BANK_FLIP and Attacker.EXPLOITED_APPLICATION in p.attackers,
    ),
    KnownAssumption(
        "fill-reads",
        "part",
        "Erased memory reads reliably as its erased value, so that fill around an image can be checked.",
        "Data behind an image is not seen (RFC 9124, THREAT.IMG.EXTRA).",
        lambda p: any(
            m.blank_read is BlankRead.VALUE and m.erases and m.kind is not MemoryKind.RAM for m in p.chip.memories
        ),
    ),
    KnownAssumption(
        "figures",
        "part",
        "Times, endurance and sector sizes of the part file are those of the data sheet for this part and temperature. "
        "Packaged profiles and files marked typical carry typical figures.",
        "Install times, wear and years in the plan are wrong; the map itself may not fit.",
    ),
    KnownAssumption(
        "protection-holds",
        "part",
        "A write protection, once set, holds until the next reset; no software takes it away.",
        "An exploited application can rewrite whatever the verdicts count as closed, the boot stage included.",
        lambda p: bool(p.protect),
    ),
    KnownAssumption(
        "protection-first",
        "boot stage",
        "The boot stage sets every write protection of the product file before any other code runs, at every start.",
        "What the verdicts count as closed lies open.",
        lambda p: bool(p.protect),
    ),
    KnownAssumption(
        "reset-entry",
        "part",
        "Every reset starts the boot stage; debug access and other ways in are closed in the field.",
        "Whoever has the device can start code of his choice, and none of the verdicts matters.",
    ),
    KnownAssumption(
        "record-codes",
        "boot stage",
        "Every record of a log has a check code, so that a torn record is not taken for another one.",
        "A record that nobody wrote may be read; the verdicts do not hold.",
    ),
    KnownAssumption(
        "log-halves",
        "boot stage",
        "A log makes room by erasing the half without its newest record, and the newest readable record counts.",
        "A cut while a log is full can bring back an old record.",
    ),
    KnownAssumption(
        "boot-follows-model",
        "boot stage",
        "The boot stage and the download half of the application do what the procedure's model does, in that order.",
        "The verdicts speak of another procedure than the one in the device.",
    ),
    KnownAssumption(
        "consumer-as-ours",
        "boot stage",
        "The product's update client refuses what our own consumer refuses.",
        "The trials say nothing about the product's devices.",
    ),
    KnownAssumption(
        "exploit-cuts",
        "product",
        "An exploited application does not time power cuts to leave weak cells behind on purpose.",
        "It could plant content that passes a check and changes later.",
        lambda p: Attacker.EXPLOITED_APPLICATION in p.attackers,
    ),
    KnownAssumption(
        "external-untouched",
        "product",
        "Nobody writes to external memory from outside: the external bus is not in scope of this product.",
        "What was checked there can be replaced before it is used.",
        lambda p: _has_external(p) and Attacker.EXTERNAL_BUS not in p.attackers,
    ),
    KnownAssumption(
        "format-reader",
        "boot stage",
        "The boot stage refuses every image that the product's reader refuses, and finds the same code in the others.",
        "An image that was refused here starts on a device.",
        lambda p: p.format is not None,
    ),
    KnownAssumption(
        "watchdog-runs",
        "boot stage",
        "A watchdog runs whenever code runs, and nothing that hangs keeps feeding it.",
        "A new image that hangs stays until someone takes the power away.",
    ),
    KnownAssumption(
        "good-report",
        "product",
        "A new image reports itself good only after it has shown that it can receive the next update.",
        "An image that cannot be replaced any more is kept.",
        lambda p: p.update.trial,
    ),
    KnownAssumption(
        "key-custody",
        "people",
        "Only the author can use the private key that signs releases; its file is kept from everybody else.",
        "Anyone who has the key can install anything; no device can tell (RFC 9124, THREAT.KEY.EXPOSURE).",
    ),
    KnownAssumption(
        "right-anchors",
        "people",
        "Every device leaves the line with the product's trust anchors, and no test or demonstration key.",
        "Devices take updates of whoever holds that other key.",
    ),
    KnownAssumption(
        "same-files",
        "people",
        "The files that are programmed and delivered have the digests on page one.",
        "The dossier speaks of other firmware.",
    ),
    KnownAssumption(
        "cryptography",
        "people",
        "SHA-256 and the signature algorithm of the product's key hold for the life of the fleet.",
        "Signatures can be made without the key.",
    ),
    KnownAssumption(
        "fleet-figures",
        "product",
        "Devices get about as many updates over their life as the product file says.",
        "Flash wears out earlier than the plan says.",
    ),
)
"""All assumptions, those about the part first."""


def register(product: Product) -> tuple[RegisterRow, ...]:
    """Return every assumption that matters for a product, with its answer or "open".

    An assumption that does not apply is listed all the same where the product answers it.
    """
    answers = {answer.id: answer for answer in reversed(product.assumptions)}
    rows = []
    for known in ASSUMPTIONS:
        answer = answers.get(known.id)
        if answer is not None or known.applies(product):
            owner = answer.owner.strip() if answer else ""
            page = answer.page.strip() if answer else ""
            rows.append(RegisterRow(known, owner or OPEN, page or OPEN))
    return tuple(rows)


def find_unknown(product: Product) -> tuple[str, ...]:
    """Return the ids that a product answers and the tool does not know, and those it answers twice."""
    known = {assumption.id for assumption in ASSUMPTIONS}
    given = [answer.id for answer in product.assumptions]
    return tuple(dict.fromkeys(i for i in given if i not in known or given.count(i) > 1))
