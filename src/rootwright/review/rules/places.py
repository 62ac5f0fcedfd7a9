"""Rules about where things lie: what may not be in external memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rootwright.describe.attack import Fact
from rootwright.describe.product import Attacker
from rootwright.layout.demand import BlockRole
from rootwright.review.rules.model import Hit, Rule, Subject
from rootwright.review.rules.provisions import cra, en303645, iec62443, nist193, rfc9124


def _outside(what: str, *roles: BlockRole, unless: Fact | None = None) -> Callable[[Subject], Iterator[Hit]]:
    def check(subject: Subject) -> Iterator[Hit]:
        if unless in subject.facts.holding:
            return
        for region in subject.external(*roles):
            yield Hit("pin", f"{region.block} lies in external memory {region.memory}: {what}", region.block)

    return check


def _staged(subject: Subject) -> Iterator[Hit]:
    if not subject.in_scope(Attacker.EXTERNAL_BUS) or Fact.DOUBLE_CHECKS in subject.facts.holding:
        return
    for region in subject.external(BlockRole.STAGING):
        found = (
            f"{region.block} lies in external memory, the bus is in scope, and nothing says that the copy is checked"
        )
        yield Hit("update.staging", found, region.block)


def _code(subject: Subject) -> Iterator[Hit]:
    if not subject.in_scope(Attacker.EXTERNAL_BUS):
        return
    for region in subject.external(BlockRole.SLOT, BlockRole.RECOVERY):
        found = f"{region.block} runs from external memory, and the bus is in scope"
        yield Hit("image.memory", found, region.block)


RULES = (
    Rule(
        "places.boot-outside",
        "The first code is inside the package",
        "Without a fixed reset entry, whoever exchanges the external memory exchanges the first code.",
        "move the boot stage inside, or use a part with a fixed reset entry that checks it",
        (nist193("section 4.1.1"), iec62443("EDR 3.14"), en303645("5.7-1")),
        _outside("nothing checks it first", BlockRole.BOOT, unless=Fact.FIXED_ENTRY),
    ),
    Rule(
        "places.keys-outside",
        "Trust anchors are inside the package",
        "An anchor that can be exchanged with the memory makes any signature the right one.",
        "move the block inside the package, or keep digests of the keys in one-time words",
        (nist193("section 4.1.2"), iec62443("EDR 3.12"), en303645("5.4-1")),
        _outside("whoever exchanges it chooses whom the device trusts", BlockRole.KEYS),
    ),
    Rule(
        "places.floor-outside",
        "The version floor is inside the package",
        "A memory that can be put back to an earlier state forgets which releases are too old.",
        "move the block inside the package",
        (rfc9124("REQ.SEC.SEQUENCE"), nist193("section 4.2.4")),
        _outside("old content can be put back", BlockRole.FLOOR),
    ),
    Rule(
        "places.keep-outside",
        "Keep-areas outside are encrypted or worthless",
        "What stands there can be read and exchanged by whoever opens the case.",
        "move it inside the package, or authenticate it with a key that the device alone has",
        (nist193("section 4.2.4"), en303645("5.4-1"), cra("I (2)(f)")),
        _outside("it can be read and exchanged", BlockRole.KEEP),
        note=True,
    ),
    Rule(
        "places.code-outside",
        "Code outside is not trusted after one check",
        "Checked once and fetched again, it may be something else the second time.",
        "run from memory inside the package, or use inline decryption that also authenticates",
        (rfc9124("REQ.SEC.AUTH.EXEC"), rfc9124("REQ.SEC.MFST.CONST"), iec62443("EDR 3.14")),
        _code,
    ),
    Rule(
        "places.staged-outside",
        "A staged image outside is checked again where it is copied to",
        "Between the check and the copy it can be exchanged on the bus.",
        'check the copy before it runs and declare "double checks"',
        (rfc9124("REQ.SEC.MFST.CONST"), rfc9124("REQ.SEC.AUTH.EXEC")),
        _staged,
    ),
)
