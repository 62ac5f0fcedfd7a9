"""Bank flips against a torn settings area: what it may load as decides the verdict, and two explorers agree on it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from rootwright.describe.product import Attacker
from rootwright.describe.settings import Torn
from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import POWER_UP, Again, Claim, Control, Offer, Outcome, Port, Run, UpdateProcedure
from rootwright.device.procedures.copy_over import CopyOver
from rootwright.device.procedures.either_slot import SLOTS, BankFlip
from rootwright.device.procedures.parts import NONE, is_acceptable, raise_floor, write_again
from rootwright.device.settings import DEFAULT_STATE, LOCKED_STATE, Change, SettingsModel
from rootwright.prove.broken import FlippedBeforeNoted
from rootwright.prove.broken_settings import BROKEN_SETTINGS, BankBelieved
from rootwright.prove.events import StepEvent
from rootwright.prove.level import Level
from rootwright.prove.oracle import OracleLevel, explore_concretely
from rootwright.prove.proof import Verdict, check_level
from rootwright.prove.teeth import check_broken

sys.path.insert(0, str(Path(__file__).parent))
from configurations import require_agreement

OLD, NEW, DEFAULT, LOCKED = Torn.OLD, Torn.NEW, Torn.DEFAULT, Torn.LOCKED
APPLICATION = frozenset({Attacker.EXPLOITED_APPLICATION})
ALL = frozenset(
    {"boot", "boot-copy", "run:application", "second:application", "stage:application", "journal", "floor", "requests"}
)
OPPOSITE = (
    ("run:application", ("second:application",)),
    ("second:application", ("run:application",)),
    ("boot", ("boot-copy",)),
    ("boot-copy", ("boot",)),
)
PLAIN = SettingsModel(other_place=OPPOSITE)


class FlipsAtOnce(BankFlip):
    """A bank flip without trial: an acceptable image is kept at once."""

    claims = frozenset({Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.KEEPS})

    def decide(self, port: Port) -> Outcome:
        """Bring the settings in line with the journal, then look for a request."""
        write_again(port, self.logs)
        _, slot = self.noted(port)
        if not port.is_settings_whole() or port.settings() != slot:
            port.program_settings(slot)
            return Again(POWER_UP)
        asked = port.log("requests").newest() or NONE
        if asked[0] == "request" and asked[1] == 1 - slot and self.is_slot_acceptable(port, 1 - slot):
            port.log("journal").append(("kept", 1 - slot))
            return Again(POWER_UP)
        return Again(("kept", slot))


class FlipsWhenPowered(FlipsAtOnce):
    """Programs the settings area, and runs what is mapped low until the power has been off."""

    def decide(self, port: Port) -> Outcome:
        """Ask for the bank that the journal names, and look for a request."""
        write_again(port, self.logs)
        _, slot = self.noted(port)
        low = port.settings()
        if not port.is_settings_whole() or low != slot:
            port.program_settings(slot)
        elif self.is_asked(port, 1 - slot):
            port.log("journal").append(("kept", 1 - slot))
        return Again(("low", low))

    def is_asked(self, port: Port, slot: int) -> bool:
        """Say whether an acceptable image is asked for."""
        asked = port.log("requests").newest() or NONE
        return asked == ("request", slot) and self.is_slot_acceptable(port, slot)

    def step(self, port: Port, control: Control) -> Outcome:
        """Run the low bank; step as the procedure above does else."""
        if isinstance(control, tuple) and control[0] == "low":
            digest = port.digest(SLOTS[control[1]])
            if digest.version is None or not is_acceptable(port, digest):
                return Again(POWER_UP)
            raise_floor(port, digest.version)
            return Run(SLOTS[control[1]])
        if isinstance(control, Offer):
            port.log("requests").append(NONE)
            # What runs is what is mapped low, whatever the journal asks for; while the two differ nothing is received.
            low, slot = port.settings(), self.noted(port)[1]
            return Again(("receive", control, 1 - low, 0) if low == slot else ("low", low))
        return super().step(port, control)


class UnlocksItself(FlipsAtOnce):
    """Writes the unlock sequence itself, in order."""

    order: tuple[int, ...] = (0, 1)

    def decide(self, port: Port) -> Outcome:
        """Unlock before each flip."""
        _, slot = self.noted(port)
        if not port.is_settings_whole() or port.settings() != slot:
            for number in self.order:
                port.write_unlock(number)
            port.program_settings(slot)
            return Again(POWER_UP)
        return super().decide(port)


class UnlocksInWrongOrder(UnlocksItself):
    """Writes the second value first."""

    order = (1, 0)


class UnlocksHalf(UnlocksItself):
    """Leaves the last value out."""

    order = (0,)


class UnlocksTwice(UnlocksItself):
    """Goes on writing when the area is open."""

    order = (0, 1, 0)


class WritesSettings(CopyOver):
    """A procedure that never flips, but writes the settings area again after each installation."""

    def finish(self, port: Port) -> Outcome:
        """Write the settings as they were, then finish."""
        port.program_settings(0)
        return super().finish(port)


@dataclass(frozen=True, slots=True)
class Case:
    """One tiny configuration and what must come out: whether it holds, else the fewest cuts."""

    name: str
    make: Callable[[Ground], UpdateProcedure]
    settings: SettingsModel
    cuts: int | None  # None where it holds
    exploited: bool = False
    protect: frozenset[str] = ALL
    restless: bool = False
    bound: int | None = None

    @property
    def ground(self) -> Ground:
        two = not issubclass(self.make, CopyOver)  # type: ignore[arg-type]
        return replace(tiny_ground(1, 1, stage=not two, second=two), settings=self.settings)

    @property
    def attackers(self) -> frozenset[Attacker]:
        return APPLICATION if self.exploited else frozenset()

    @property
    def level(self) -> Level:
        return Level(1, self.restless, self.attackers, self.protect, self.bound)


def torn(*left: Torn, default: int | None = 0, **more: object) -> SettingsModel:
    return replace(PLAIN, torn=frozenset(left), default=default, **more)  # type: ignore[arg-type]


def cases() -> Iterator[Case]:
    """Yield all configurations."""
    for default in (0, 1, None):
        yield Case(
            f"default {default}", BankFlip, torn(OLD, NEW, DEFAULT, default=default), 1 if default is None else None
        )
        yield Case(f"only default {default}", BankFlip, torn(DEFAULT, default=default), 1 if default is None else None)
        yield Case(f"locked {default}", BankFlip, torn(OLD, NEW, LOCKED, default=default), 1)
        yield Case(
            f"default {default} restless", BankFlip, torn(OLD, NEW, DEFAULT, default=default),
            1 if default is None else None, restless=True, bound=2,
        )  # fmt: skip
        yield Case(f"locked {default} restless", BankFlip, torn(OLD, NEW, LOCKED, default=default), 1, restless=True)
    yield Case("neither default nor locked", BankFlip, torn(OLD, NEW, default=None), None)
    yield Case("always new", BankFlip, torn(NEW, default=None), None)
    yield Case("default erases", BankFlip, torn(OLD, NEW, DEFAULT, default_erases=True), 1)
    yield Case("erasing default out of reach", BankFlip, torn(OLD, NEW, default_erases=True), None, bound=2)
    yield Case("no boot stage in the second bank", BankFlip, replace(PLAIN, boots=("boot", "")), 0)
    yield Case("no boot stage in the first bank", BankFlip, replace(PLAIN, boots=("", "boot-copy")), 0)
    yield Case("one boot stage for both banks", BankFlip, replace(PLAIN, boots=("boot", "boot")), None)
    # The default also lifts the write protection: only a boot stage that asks for it notices.
    yield Case("area guards", BankFlip, replace(PLAIN, guards=True), None, exploited=True, bound=1)
    for default in (0, 1):
        guarding = replace(PLAIN, guards=True, default=default)
        yield Case(f"area guards, trusted, default {default}", BankBelieved, guarding, 1, exploited=True)
        plain = replace(PLAIN, default=default)
        yield Case(
            f"area guards nothing, trusted, default {default}", BankBelieved, plain, None, exploited=True, bound=1
        )
    yield Case(
        "area guards, no default, trusted", BankBelieved, torn(OLD, NEW, guards=True), None, exploited=True, bound=1
    )
    # A part with its boot stage in one bank, and a procedure that only writes the area again.
    for default, cuts in ((0, None), (1, 1), (None, 1)):
        alone = replace(PLAIN, boots=("boot", ""), default=default)
        yield Case(f"never flips, default {default}", WritesSettings, alone, cuts)
        yield Case(f"never flips, default {default}, restless", WritesSettings, alone, cuts, restless=True)
    # Protection by bank or by address, with a part of the blocks protected.
    for by_address, cuts in ((False, 0), (True, None)):
        model = replace(PLAIN, by_address=by_address)
        protect = ALL - {"second:application"}
        yield Case(f"first slot protected, by address {by_address}", FlipsAtOnce, model, cuts, True, protect, bound=1)
    for by_address, cuts in ((False, None), (True, 0)):
        model = replace(PLAIN, by_address=by_address, other_place=(*OPPOSITE, ("journal", ("",))))
        yield Case(f"journal in the first bank, by address {by_address}", BankFlip, model, cuts, True, ALL, bound=1)
    for by_address in (False, True):
        model = replace(PLAIN, by_address=by_address)
        yield Case(f"second boot stage open, by address {by_address}", BankFlip, model, 0, True, ALL - {"boot-copy"})
        yield Case(f"first boot stage open, by address {by_address}", BankFlip, model, 0, True, ALL - {"boot"})
    yield Case("flipped before noted", FlippedBeforeNoted, PLAIN, 1, exploited=False)
    for guards, cuts in ((False, None), (True, 1)):
        locked = torn(OLD, NEW, LOCKED, guards=guards)
        yield Case(f"never flips, locked, guards {guards}", WritesSettings, locked, cuts, exploited=True, bound=1)
    yield from changes()
    yield from writes()


def changes() -> Iterator[Case]:
    """Yield parts that refuse a change, or lock the area or erase all flash with it."""

    def part(before: int, after: int, what: Change, *left: Torn, default: int | None = 0) -> SettingsModel:
        return torn(*(left or (OLD, NEW, DEFAULT)), default=default, changes=((before, after, what),))

    for what in Change:
        yield Case(f"there {what}", BankFlip, part(0, 1, what), 0)
        yield Case(f"back {what}", BankFlip, part(1, 0, what), 0)
        yield Case(f"there {what}, restless", BankFlip, part(0, 1, what), 0, restless=True)
        # Only a cut reaches the default; it is brought back to its own bank, and from there it flips as ever.
        yield Case(f"from default {what}", BankFlip, part(DEFAULT_STATE, 0, what), 1)
        yield Case(f"from another default {what}", BankFlip, part(DEFAULT_STATE, 0, what, default=1), None)
        yield Case(f"from a default out of reach {what}", BankFlip, part(DEFAULT_STATE, 0, what, OLD, NEW), None)
        # A procedure that never flips asks for none of these changes.
        yield Case(f"never flips, there {what}", WritesSettings, part(0, 1, what), None)


def writes() -> Iterator[Case]:
    """Yield parts whose area takes two writes, takes effect at power-up, or asks for an unlock sequence."""
    yield Case("both at once, no default", BankFlip, torn(OLD, NEW, default=None), None)
    yield Case("complement apart, no default", BankFlip, torn(OLD, NEW, default=None, apart=True), 1)
    yield Case("complement apart, restless", BankFlip, torn(OLD, NEW, default=None, apart=True), 1, restless=True)
    yield Case("complement apart, default 0", BankFlip, torn(OLD, NEW, apart=True), None)
    yield Case("complement apart, locked", BankFlip, torn(OLD, NEW, LOCKED, apart=True), 1)
    yield Case("complement apart, either", BankFlip, torn(OLD, DEFAULT, LOCKED, apart=True), 1)
    yield Case("complement apart, guards", BankBelieved, torn(OLD, NEW, guards=True, apart=True), 1, exploited=True)
    for needs_power in (False, True):
        part = torn(OLD, NEW, needs_power=needs_power)
        yield Case(f"flips at reset, needs power {needs_power}", BankFlip, part, 0 if needs_power else None)
        yield Case(f"flips when powered, needs power {needs_power}", FlipsWhenPowered, part, None)
    for unlock in (0, 2):
        part = replace(PLAIN, unlock=unlock)
        yield Case(f"unlocks itself, {unlock} writes", UnlocksItself, part, None)
        for make in (UnlocksInWrongOrder, UnlocksHalf, UnlocksTwice):
            yield Case(f"{make.__name__}, {unlock} writes", make, part, 0 if unlock else None)
        yield Case(f"leaves the sequence to the port, {unlock} writes", FlipsAtOnce, part, None)


CASES = list(cases())


def explored(case: Case) -> Verdict:
    return check_level(case.make, case.ground, case.level)[0]


def test_there_are_enough_configurations() -> None:
    assert len(CASES) >= 40
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_verdict_is_what_the_part_says(case: Case) -> None:
    verdict = explored(case)
    assert verdict.holds == (case.cuts is None), verdict.what
    if case.cuts is not None:
        assert verdict.cuts == case.cuts


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_oracle_agrees(case: Case) -> None:
    require_agreement(case.make, case.ground, case.level)


def test_the_story_says_what_the_area_fell_back_to() -> None:
    verdict = explored(next(case for case in CASES if case.name == "default None"))
    assert "maps neither bank" in verdict.story[-1].text
    assert "program the settings word to 1" in next(h.text for h in verdict.story if h.kind == "cut")


def test_answers_name_the_state_that_was_loaded() -> None:
    """The oracle's events say what a torn area loaded as."""
    case = next(case for case in CASES if case.name == "locked 0")
    oracle = explore_concretely(case.make(case.ground), case.ground, OracleLevel())
    assert oracle.failure is not None
    loaded = [event.answers for event in oracle.failure.events if isinstance(event, StepEvent)]
    assert any(LOCKED_STATE in answers for answers in loaded)
    assert not any(DEFAULT_STATE in answers for answers in loaded)


def test_without_a_model_nothing_changes() -> None:
    """A chip file that says nothing of its settings gives the verdict it always gave."""
    ground = tiny_ground(1, 1, stage=False, second=True)
    assert ground.settings is None
    verdict, _ = check_level(BankFlip, ground, Level(1))
    assert verdict.holds


@pytest.mark.parametrize(
    ("settings", "caught"),
    [
        (replace(PLAIN, guards=True), True),
        (PLAIN, None),
        (None, None),
        (torn(OLD, NEW, guards=True), None),
    ],
)
def test_the_dossier_shows_what_a_believed_bank_does(settings: SettingsModel | None, caught: bool | None) -> None:
    """It is explored beside the other broken procedures where the part can show it, and there alone."""
    ground = replace(tiny_ground(1, 1, stage=False, second=True), settings=settings)
    (broken,) = BROKEN_SETTINGS
    found = check_broken(lambda base: ground if base == broken.base else None, Level(cells=1), (broken.name,))
    assert [each.caught for each in found] == ([] if caught is None else [caught])
    for each in found:
        assert each.cuts == broken.cuts
