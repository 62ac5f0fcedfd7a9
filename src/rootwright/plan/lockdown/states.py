"""What each state of the life cycle allows, the ways between them, and the attempts that must fail in production."""

from __future__ import annotations

from collections.abc import Sequence

from rootwright.describe.chip import Chip, Lock, ProtectionKind
from rootwright.describe.lock_field import LifeState, Observer
from rootwright.describe.product import Product
from rootwright.layout.map import Map
from rootwright.plan.lockdown.result import Attempt, Cover, Effect, Moment, State, Transition
from rootwright.plan.root_of_trust import Foundation

_PORTS = (ProtectionKind.DEBUG_LOCK, ProtectionKind.EXTERNAL_READ_LOCK)


def _locks(chip: Chip, *kinds: ProtectionKind) -> list[Lock]:
    return [p.lock for p in chip.protections if p.kind in kinds and p.lock is not Lock.NONE]


def opens_by_erase(chip: Chip) -> bool:
    """Return whether a locked part can be opened again by a full erase: no port of it is closed for ever."""
    locks = _locks(chip, *_PORTS)
    return Lock.PERMANENT not in locks


def make_states(product: Product, covers: Sequence[Cover]) -> tuple[tuple[State, ...], tuple[Transition, ...]]:
    """Return the four states and the ways between them."""
    chip = product.chip
    debug = _locks(chip, ProtectionKind.DEBUG_LOCK)
    read = _locks(chip, ProtectionKind.EXTERNAL_READ_LOCK)
    opens = opens_by_erase(chip)
    shut = list(dict.fromkeys(b for c in covers if c.effect is Effect.NO_WRITE for b in c.blocks))
    denies = []
    if debug:
        denies.append("attaching a debug probe")
    if debug or read:
        denies.append("reading memory from outside")
    if shut:
        denies.append(f"writing {', '.join(shut)} (some only at their moments, see the covers)")
    allows = ["starting approved images", f"updates by {product.update.procedure}"]
    if not debug:
        allows.append("ATTACHING A DEBUG PROBE: the part has no debug lock that holds")
    stays = Lock.PERMANENT in [p.lock for p in chip.protections]
    one_time = [m.name for m in chip.memories if m.kind.value == "one-time words"]
    states = (
        State(
            LifeState.DEVELOPMENT,
            True,
            ("attaching a debug probe", "reading and writing all memory", "changing every setting"),
            (),
            "never ship a unit in this state, and never put a release key's secrets on one",
        ),
        State(
            LifeState.PRODUCTION,
            True,
            tuple(allows),
            tuple(denies),
            "the state in the factory's last step and in the field",
        ),
        State(
            LifeState.FIELD_RETURN,
            opens,
            ("attaching a debug probe after a full erase", "testing the hardware") if opens else (),
            ("reading what the unit held in the field: it was erased to open it",)
            if opens
            else ("opening the unit: its ports are closed for ever, only what it reports itself can be learned",),
            "write protection that is permanent stays" if stays and opens else "",
        ),
        State(
            LifeState.END_OF_LIFE,
            True,
            ("nothing in the field",),
            ("any further use: the application erases keep-areas and secrets, and no update is offered any more",),
            f"what lies in {', '.join(one_time)} stays in the part" if one_time else "",
        ),
    )
    transitions = [
        Transition(
            LifeState.DEVELOPMENT, LifeState.PRODUCTION, "the steps of the order of locking", opens and not stays
        ),
        Transition(LifeState.PRODUCTION, LifeState.END_OF_LIFE, "erasing secrets from inside", False),
    ]
    if opens:
        transitions += [
            Transition(
                LifeState.PRODUCTION, LifeState.FIELD_RETURN, "a full erase; everything on the unit is lost", False
            ),
            Transition(LifeState.FIELD_RETURN, LifeState.PRODUCTION, "all steps of the order of locking again", True),
            Transition(LifeState.FIELD_RETURN, LifeState.END_OF_LIFE, "destroying the part", False),
        ]
    return states, tuple(transitions)


def make_attempts(product: Product, map_: Map, covers: Sequence[Cover], isolation: Foundation) -> tuple[Attempt, ...]:
    """Return what must be tried on a locked unit: accesses that must be refused, and updates that must work."""
    chip = product.chip
    state = LifeState.PRODUCTION
    found: list[Attempt] = []
    if _locks(chip, ProtectionKind.DEBUG_LOCK):
        text = "attach a debug probe, with the unit running, at rest, and held in reset"
        found.append(
            Attempt("attach", "attach", state, Observer.PROBE, text, "refused", aims=("debug-closed", "root-fixed"))
        )
    if _locks(chip, *_PORTS):
        flash = next((m for m in chip.memories if m.executable and m.kind.value != "ram"), chip.memories[0])
        text = f"read {flash.name} through every port and through the part's own loader"
        found.append(
            Attempt(
                "read-outside",
                "read",
                state,
                Observer.PROBE,
                text,
                "refused",
                flash.base,
                flash.size,
                ("reading-closed", "secrets-unread"),
            )
        )
    shut = [c for c in covers if c.effect is Effect.NO_WRITE and c.moment in (Moment.START, Moment.FACTORY)]
    at_start = {block for c in shut if c.moment is Moment.START for block in c.blocks}
    for cover in shut:
        names = ", ".join(cover.blocks)
        # Under a lock until reset the application cannot tell whether the longer one works: the boot stage tries that.
        hidden = cover.moment is Moment.FACTORY and at_start.issuperset(cover.blocks)
        who = Observer.BOOT if hidden else Observer.APPLICATION
        for place, address in (("first", cover.address), ("last", cover.end - _unit(chip, cover))):
            found.append(
                Attempt(
                    f"write-{_plain(cover.blocks[0])}-{place}" + ("-from-boot-stage" if hidden else ""),
                    "write",
                    state,
                    who,
                    f"erase and write the {place} unit of {names} from the {who.value} ({cover.protection})",
                    "refused",
                    address,
                    _unit(chip, cover),
                    _write_aims(cover.blocks),
                )
            )
    on_trial = {b: c for c in covers if c.moment is Moment.TRIAL for b in c.blocks if b not in at_start}
    for block, cover in on_trial.items():
        region = map_.region(block)
        found.append(
            Attempt(
                f"write-on-trial-{_plain(block)}",
                "write",
                state,
                Observer.APPLICATION,
                f"erase and write the first unit of {block} from an image on trial ({cover.protection})",
                "refused",
                region.address,
                _unit(chip, cover),
                ("way-back-kept",),
            )
        )
    found += [
        Attempt(
            f"{kind}-closed-{_plain(cover.blocks[0])}-{_plain(cover.protection)}",
            kind,
            state,
            Observer.APPLICATION,
            f"{kind} the first unit of {', '.join(cover.blocks)} from the application ({cover.protection})",
            "refused",
            cover.address,
            _unit(chip, cover),
            ("root-apart", "secrets-unread", *_write_aims(cover.blocks)),
        )
        for cover in covers
        if cover.effect is Effect.NO_ACCESS
        for kind in ("read", "write")
    ]
    if isolation not in (Foundation.NONE, Foundation.WRITE_PROTECTION):
        for region in map_.regions:
            if region.block in product.secret:
                text = f"read {region.block} from the application"
                found.append(
                    Attempt(
                        f"read-{_plain(region.block)}",
                        "read",
                        state,
                        Observer.APPLICATION,
                        text,
                        "refused",
                        region.address,
                        region.size,
                        ("secrets-unread", "root-apart"),
                    )
                )
    found += [
        Attempt(
            "update-unsigned",
            "update",
            state,
            Observer.APPLICATION,
            "offer an update whose signature does not verify",
            "refused",
            aims=("code-by-update-only",),
        ),
        Attempt(
            "update-older",
            "update",
            state,
            Observer.APPLICATION,
            "offer the last release but one, soundly signed",
            "refused",
            aims=("floor-kept",),
        ),
        Attempt(
            "update-works",
            "works",
            state,
            Observer.APPLICATION,
            "offer the next release: a locked unit that takes no update is as bad as an open one",
            "works",
            aims=("image-recovered",),
        ),
    ]
    return tuple(found)


def _unit(chip: Chip, cover: Cover) -> int:
    return chip.memory(cover.memory).program_unit


def _plain(block: str) -> str:
    return block.replace(":", "-")


def _write_aims(blocks: Sequence[str]) -> tuple[str, ...]:
    aims = []
    for block in blocks:
        if block in ("boot", "boot-copy", "recovery"):
            aims.append("root-fixed")
        elif block == "keys":
            aims.append("anchors-fixed")
        elif block == "floor":
            aims.append("floor-kept")
        elif block.startswith(("run:", "second:")):
            aims.append("code-by-update-only")
        elif block.startswith("stage:"):
            aims.append("way-back-kept")
    return tuple(dict.fromkeys(aims))
