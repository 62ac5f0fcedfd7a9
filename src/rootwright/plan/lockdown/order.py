"""The order of locking: steps need access paths and close them, and none comes after a path it needs is closed."""

from __future__ import annotations

from collections.abc import Sequence

from rootwright.describe.chip import Chip, Lock, Protection, ProtectionKind
from rootwright.describe.lock_field import LifeState
from rootwright.errors import PlanError
from rootwright.plan.lockdown.result import Cover, CutOff, Moment, SettingValue, Step

DEBUG = "debug port"
SETTINGS = "protection settings"
READING = "reading by probe"
BOOT_BLOCKS = "writing permanent blocks"

_IRREVERSIBLE = {
    Lock.PERMANENT: "IRREVERSIBLE. {what} can never be opened again, by nobody, not even by the part's maker. "
    "A mistake in it makes this unit useless or leaves it open for good.",
    Lock.ERASE_TO_OPEN: "ONLY A FULL ERASE OPENS IT. {what} stays until everything on the part is erased: images, "
    "keys, calibration and the unit's identity are then lost.",
    Lock.UNTIL_RESET: "",
    Lock.NONE: "",
}


def irreversible_words(lock: Lock, what: str) -> str:
    """Return what a lock makes irreversible, empty where nothing is."""
    return _IRREVERSIBLE[lock].format(what=what)


def make_steps(chip: Chip, covers: Sequence[Cover], settings: Sequence[SettingValue]) -> tuple[Step, ...]:
    """Return the steps from the blank to the locked part, in an order in which none is cut off.

    The order follows from what steps need and close; among steps that are free, the one listed first goes first.
    """
    steps = [
        Step(
            "load-images",
            "Program the permanent images and the first release",
            (DEBUG, BOOT_BLOCKS),
            (),
            (),
            (),
            "read them back and compare their digests with the files named in the product",
        ),
        Step(
            "load-records",
            "Write trust anchors, identifiers, keep-areas and the first version floor",
            (DEBUG, BOOT_BLOCKS),
            (),
            (),
            (),
            "read them back; the boot stage must name the anchor and the floor that were meant",
        ),
        Step(
            "rehearse",
            "Start the unit, install one update, and offer one that must be refused",
            (DEBUG, BOOT_BLOCKS),
            (),
            ("load-images", "load-records"),
            (),
            "the update is kept, the refused one changes nothing; mend what is wrong now, while it can be mended",
        ),
    ]
    before_closing = ["rehearse"]
    for protection in chip.protections:
        step = _setting_step(protection, covers, settings)
        if step is not None:
            steps.append(step)
            before_closing.append(step.id)
    steps.append(
        Step(
            "compare-settings",
            "Read every setting back while it can be seen, and compare it with this plan",
            (DEBUG, READING),
            (),
            tuple(before_closing),
            (),
            "`rootwright lockdown check` on a capture of this unit in the development state: no difference but "
            "the locks that are still to come",
        )
    )
    steps += [
        _closing_step(protection, settings, (READING, SETTINGS), "Close external reading")
        for protection in chip.find_protections(ProtectionKind.EXTERNAL_READ_LOCK)
        if protection.lock is not Lock.NONE
    ]
    steps += [
        _closing_step(protection, settings, (DEBUG, READING, SETTINGS, BOOT_BLOCKS), "Close the debug port")
        for protection in chip.find_protections(ProtectionKind.DEBUG_LOCK)
        if protection.lock is not Lock.NONE
    ]
    last = tuple(step.id for step in steps if step.closes and step.id.startswith("close-"))
    steps.append(
        Step(
            "try-what-must-fail",
            "Try everything that must fail now, and install one more update",
            (),
            (),
            last or ("compare-settings",),
            (),
            "`rootwright lockdown check --outcomes`: each attempt is refused; a setting that reads right is not yet "
            "effective",
            reaches=LifeState.PRODUCTION,
        )
    )
    return safe_order(steps)


def _setting_step(protection: Protection, covers: Sequence[Cover], settings: Sequence[SettingValue]) -> Step | None:
    """Return the factory step of a protection that is stored, None for one that the boot stage sets at every start."""
    own = [s for s in settings if s.protection == protection.name and s.moment is Moment.FACTORY]
    kinds = {
        ProtectionKind.WRITE_PROTECTION: "Set the write protection that stays",
        ProtectionKind.SECURE_SPLIT: "Set the boundary between the secure and the non-secure side",
        ProtectionKind.CLOSED_UNTIL_RESET: "Set the size of the closed area",
        ProtectionKind.GATED_CODE: "Set the gated area",
        ProtectionKind.BUS_GATE: "Set the bus gate that stays",
    }
    if protection.kind not in kinds or not own:
        return None
    here = [c for c in covers if c.protection == protection.name and c.moment is Moment.FACTORY]
    blocks = ", ".join(dict.fromkeys(block for cover in here for block in cover.blocks))
    what = f"The {protection.kind.value} over {blocks}" if blocks else f"The {protection.kind.value}"
    closes = (BOOT_BLOCKS,) if protection.kind is ProtectionKind.WRITE_PROTECTION else ()
    return Step(
        f"set-{protection.name}",
        f"{kinds[protection.kind]}{': ' + blocks if blocks else ''}",
        (DEBUG, SETTINGS),
        closes,
        ("rehearse",),
        tuple(setting.name for setting in own),
        "read the fields back; then try to write the first and the last byte of each range: it must fail",
        irreversible_words(protection.lock, what),
    )


def _closing_step(
    protection: Protection, settings: Sequence[SettingValue], closes: tuple[str, ...], title: str
) -> Step:
    own = tuple(s.name for s in settings if s.protection == protection.name and s.moment is Moment.FACTORY)
    return Step(
        f"close-{protection.name}",
        title,
        (DEBUG,),
        closes,
        ("compare-settings",),
        own,
        "take the power away and back; attach a probe and read: both must be refused",
        irreversible_words(protection.lock, f"What {protection.name} closes"),
    )


def safe_order(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Return steps in an order in which each still has its paths: whoever needs a path goes before whoever closes it.

    Raises:
        PlanError: No such order exists; the message names the steps that block one another.
    """
    left = list(steps)
    done: list[Step] = []
    while left:
        ready = next((step for step in left if not _waits_for(step, left)), None)
        if ready is None:
            names = ", ".join(step.id for step in left)
            raise PlanError(
                f"steps that cut one another off: {names}",
                where="order of locking",
                next_step="describe the part's protections so that one of them can be set last",
            )
        left.remove(ready)
        done.append(ready)
    return tuple(done)


def _waits_for(step: Step, left: Sequence[Step]) -> bool:
    others = [other for other in left if other is not step]
    if any(other.id in step.after for other in others):
        return True
    return any(set(step.closes) & set(other.needs) for other in others)


def find_cut_offs(steps: Sequence[Step], order: Sequence[str]) -> tuple[CutOff, ...]:
    """Return every step that an order of one's own cuts off, by the step that does it; empty where the order holds.

    Raises:
        PlanError: The order names a step that there is none of, twice the same, or leaves one out.
    """
    by_id = {step.id: step for step in steps}
    for number, name in enumerate(order):
        if name not in by_id or name in order[:number]:
            again = "a second time" if name in by_id else "which is no step here"
            raise PlanError(
                f"it names {name!r} {again}", where="lock.order", next_step=f"the steps are: {', '.join(by_id)}"
            )
    missing = [name for name in by_id if name not in order]
    if missing:
        raise PlanError(
            f"it leaves out {', '.join(missing)}", where="lock.order", next_step="name every step, each once"
        )
    found: list[CutOff] = []
    closed: dict[str, str] = {}
    for number, name in enumerate(order):
        step = by_id[name]
        for path in step.needs:
            if path in closed:
                text = f"{name} needs the {path}, which {closed[path]} has closed before it"
                found.append(CutOff(name, closed[path], path, text))
        found += [
            CutOff(name, first, "", f"{name} relies on {first}, which comes after it")
            for first in step.after
            if first in by_id and first not in order[:number]
        ]
        for path in step.closes:
            closed.setdefault(path, name)
    return tuple(found)
