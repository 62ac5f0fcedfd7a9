"""The seven procedures as a device runs them: they install, go back, keep, and refuse, also after a single power cut.

`tests/prove` explores all cuts; here each procedure runs once from end to end on the concrete device, and what it then
holds is looked at. What is expected is written in docs/procedures.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rootwright.describe.product import Procedure
from rootwright.device.content import Kind
from rootwright.device.ground import Ground, GroundSector, tiny_ground
from rootwright.device.port import (
    POWER_UP,
    REPORT_GOOD,
    Again,
    Attribute,
    Cell,
    Claim,
    Control,
    Idle,
    Offer,
    Outcome,
    Run,
    Stuck,
    UpdateProcedure,
    Version,
)
from rootwright.device.procedures.naming import PROCEDURES, is_own_procedure, load_own_procedure
from rootwright.errors import ProcedureError
from rootwright.prove.oracle.environment import initial_state
from rootwright.prove.oracle.port import ConcretePort, CutPoint, Flash, Subject, whole_kind
from rootwright.prove.oracle.state import OracleLevel

NEWER, OLDER, CURRENT = Offer(Version(1)), Offer(Version(-1)), Offer(Version(0))
ALTERED, WRONG_LINK = Offer(Version(1), Attribute.ALTERED), Offer(Version(1), Attribute.WRONG_LINK)
ALL = list(Procedure)
WITH_TRIAL = [Procedure.EXCHANGE_FIXED, Procedure.EXCHANGE_ROTATING, Procedure.EITHER_SLOT, Procedure.BANK_FLIP]
WITHOUT_TRIAL = [Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE, Procedure.COPY_OVER]
TWO_SLOTS = [Procedure.EITHER_SLOT, Procedure.BANK_FLIP]

SHAPES: dict[Procedure, dict[str, Any]] = {
    Procedure.IN_PLACE: {"stage": False},
    Procedure.RECOVERY_IMAGE: {"stage": False},
    Procedure.COPY_OVER: {},
    Procedure.EXCHANGE_FIXED: {"lift": 1},
    Procedure.EXCHANGE_ROTATING: {"lift": 2},
    Procedure.EITHER_SLOT: {"stage": False, "second": True},
    Procedure.BANK_FLIP: {"stage": False, "second": True},
}


def ground_for(procedure: Procedure, sectors: int = 3, cells: int = 2) -> Ground:
    ground = tiny_ground(sectors, cells, **SHAPES[procedure])
    if procedure is Procedure.RECOVERY_IMAGE:
        count = len(ground.sectors)
        recovery = GroundSector("recovery", "flash", 0x1000 * count, 0x1000, 1, 0)
        areas = (*ground.areas, ("recovery", count, count + 1))
        ground = replace(ground, sectors=(*ground.sectors, recovery), areas=areas)
    return ground


def first(options: Sequence[Any], _: int) -> Any:
    return options[0]


def last(options: Sequence[Any], _: int) -> Any:
    return options[-1]


class Device:
    """One device under one procedure."""

    def __init__(
        self, procedure: Procedure, flash: Flash | None = None, choose: Callable[[Sequence[Any], int], Any] = first
    ) -> None:
        self.ground = ground_for(procedure)
        self.procedure: UpdateProcedure = PROCEDURES[procedure](self.ground)
        self.subject = Subject(self.procedure, self.ground, OracleLevel(), eager=False, bounded=True)
        self.flash = flash or initial_state(self.subject).flash
        self.choose = choose
        self.cuts: list[CutPoint] = []

    def drive(self, control: Control) -> Outcome:
        """Step from `control` until the device rests."""
        for _ in range(200):
            port = ConcretePort(self.subject, self.flash, self.choose)
            outcome = self.procedure.step(port, control)
            self.cuts += port.cuts
            self.flash = port.flash()
            if not isinstance(outcome, Again):
                return outcome
            control = outcome.control
        raise AssertionError("it does not come to rest")

    def offer(self, offer: Offer) -> Outcome:
        """Offer an update, and offer it again to the loader or the recovery image that asks for it."""
        outcome = self.drive(offer)
        if isinstance(outcome, Idle) or (isinstance(outcome, Run) and outcome.area == "recovery"):
            outcome = self.drive(offer)
        return outcome

    def install(self, offer: Offer = NEWER) -> Outcome:
        """Offer an update and let it report itself good."""
        outcome = self.offer(offer)
        return self.drive(REPORT_GOOD) if isinstance(outcome, Run) and outcome.on_trial else outcome

    def holds(self, area: str) -> Kind | None:
        """Return whose content an area wholly is; None where its sectors are weak or anything else."""
        sectors = self.ground.area(area)
        cells = [cell for sector in sectors for cell in self.flash.cells[sector]]
        if self.flash.weak.intersection(sectors) or any(isinstance(cell, tuple) for cell in cells):
            return None
        return whole_kind(self.ground, area, [Cell(cell) for cell in cells if not isinstance(cell, tuple)])

    def runs(self, outcome: Outcome) -> Kind | None:
        """Return whose content runs, kept."""
        assert isinstance(outcome, Run)
        assert not outcome.on_trial
        return self.holds(outcome.area)

    def newest(self, log: str) -> object:
        """Return the newest record of a log."""
        return ConcretePort(self.subject, self.flash, self.choose).log(log).newest()


@pytest.mark.parametrize("procedure", ALL)
def test_a_device_fresh_from_the_line_runs_what_was_shipped(procedure: Procedure) -> None:
    device = Device(procedure)
    for _ in range(3):
        assert device.runs(device.drive(POWER_UP)) is Kind.CURRENT
    assert device.newest("floor") == ("floor", Version(0))


@pytest.mark.parametrize("procedure", ALL)
def test_it_installs_and_raises_the_floor_when_it_keeps(procedure: Procedure) -> None:
    device = Device(procedure)
    device.drive(POWER_UP)
    assert device.runs(device.install()) is Kind.NEXT
    assert device.newest("floor") == ("floor", Version(1))
    for _ in range(3):
        assert device.runs(device.drive(POWER_UP)) is Kind.NEXT


@pytest.mark.parametrize("procedure", WITH_TRIAL)
def test_a_new_image_is_on_trial_and_the_floor_waits(procedure: Procedure) -> None:
    device = Device(procedure)
    outcome = device.offer(NEWER)
    assert isinstance(outcome, Run)
    assert outcome.on_trial
    assert device.holds(outcome.area) is Kind.NEXT
    assert outcome.opens == {"requests"}  # what holds the way back stays closed
    assert device.newest("floor") == ("floor", Version(0))
    assert Claim.RETURNS in device.procedure.claims


@pytest.mark.parametrize("procedure", WITH_TRIAL)
def test_a_failed_trial_returns_and_can_be_followed_by_another(procedure: Procedure) -> None:
    device = Device(procedure)
    device.offer(NEWER)
    for _ in range(2):
        assert device.runs(device.drive(POWER_UP)) is Kind.CURRENT
    assert device.newest("floor") == ("floor", Version(0))
    assert device.runs(device.install()) is Kind.NEXT


@pytest.mark.parametrize("procedure", WITHOUT_TRIAL)
def test_without_a_way_back_nothing_is_on_trial(procedure: Procedure) -> None:
    device = Device(procedure)
    outcome = device.offer(NEWER)
    assert device.runs(outcome) is Kind.NEXT
    assert Claim.RETURNS not in device.procedure.claims


@pytest.mark.parametrize("offer", [ALTERED, OLDER], ids=["altered", "older"])
@pytest.mark.parametrize("procedure", ALL)
def test_what_is_not_authentic_or_too_old_never_runs(procedure: Procedure, offer: Offer) -> None:
    device = Device(procedure)
    outcome = device.install(offer)
    if procedure in (Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE) and offer is ALTERED:
        assert isinstance(outcome, Idle if procedure is Procedure.IN_PLACE else Run)
        assert device.holds("run") is Kind.ALTERED  # one slot: what was there is gone
        again = device.drive(POWER_UP)
        assert again == outcome
    elif procedure in (Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE):
        assert device.holds("run") is Kind.CURRENT  # refused by its manifest, before anything is erased
    else:
        assert device.runs(outcome) is Kind.CURRENT
    assert device.newest("floor") == ("floor", Version(0))
    assert device.runs(device.install()) is Kind.NEXT  # and a genuine one still can be installed


@pytest.mark.parametrize("procedure", TWO_SLOTS)
def test_an_image_linked_for_the_other_slot_is_refused(procedure: Procedure) -> None:
    device = Device(procedure)
    assert device.runs(device.install(WRONG_LINK)) is Kind.CURRENT
    assert device.holds("second") is None


@pytest.mark.parametrize("procedure", ALL)
def test_nothing_goes_back_below_the_floor(procedure: Procedure) -> None:
    """The version that was current a moment ago is below the floor once the newer one is kept."""
    device = Device(procedure)
    device.install()
    outcome = device.install(CURRENT)
    if isinstance(outcome, Idle) or (isinstance(outcome, Run) and outcome.area == "recovery"):
        outcome = device.install()
    assert device.runs(outcome) is Kind.NEXT
    assert device.newest("floor") == ("floor", Version(1))


@pytest.mark.parametrize("procedure", [Procedure.EXCHANGE_FIXED, Procedure.EXCHANGE_ROTATING])
def test_an_exchange_leaves_the_old_image_in_staging(procedure: Procedure) -> None:
    device = Device(procedure)
    device.offer(NEWER)
    assert (device.holds("run"), device.holds("stage")) == (Kind.NEXT, Kind.CURRENT)
    device.drive(POWER_UP)
    assert (device.holds("run"), device.holds("stage")) == (Kind.CURRENT, Kind.NEXT)


def test_a_rotating_lift_takes_turns() -> None:
    ground = ground_for(Procedure.EXCHANGE_ROTATING)
    assert [chunk.lift for chunk in ground.chunks] == [(6,), (7,), (6,)]


def test_bank_flip_programs_the_settings_word() -> None:
    device = Device(Procedure.BANK_FLIP)
    device.install()
    assert device.flash.settings == 1
    device.install(Offer(Version(1)))  # into the bank that is not mapped low
    assert device.flash.settings == 0


def single_cuts(procedure: Procedure) -> Iterator[CutPoint]:
    device = Device(procedure)
    device.install()
    yield from device.cuts


@pytest.mark.slow
@pytest.mark.parametrize("choose", [first, last])
@pytest.mark.parametrize("procedure", ALL)
def test_after_any_single_cut_an_authentic_image_runs_or_the_loader_waits(
    procedure: Procedure, choose: Callable[[Sequence[Any], int], Any]
) -> None:
    """Torn cells read as the first or the last thing that they can; then the update is offered once more."""
    seen = 0
    for cut in single_cuts(procedure):
        device = Device(procedure, cut.flash, choose)
        outcome = device.drive(POWER_UP)
        if isinstance(outcome, Idle):
            assert Claim.BOOTS_OR_WAITS in device.procedure.claims
        else:
            assert isinstance(outcome, Run)
            assert device.holds(outcome.area) in (Kind.CURRENT, Kind.NEXT, Kind.PERMANENT)
        if isinstance(outcome, Run) and outcome.on_trial:
            device.drive(POWER_UP)
        assert device.runs(device.install()) is Kind.NEXT
        seen += 1
    assert seen > 30


@pytest.mark.parametrize("procedure", [p for p in ALL if p not in (Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE)])
def test_without_an_authentic_image_the_boot_stage_stands_still(procedure: Procedure) -> None:
    device = Device(procedure)
    blank = device.flash.cells[device.ground.area("run")[0]]
    cells = list(device.flash.cells)
    for sector in device.ground.area("run"):
        cells[sector] = (0,) * len(blank)
    device.flash = device.flash._replace(cells=tuple(cells))
    outcome = device.drive(POWER_UP)
    assert isinstance(outcome, Stuck)
    assert "authentic image" in outcome.reason


@pytest.mark.parametrize("procedure", TWO_SLOTS)
def test_an_unknown_control_stands_still(procedure: Procedure) -> None:
    assert Device(procedure).drive("nonsense") == Stuck("unknown control")


# Procedures of one's own


GOOD = """
from rootwright.device.port import Run


class Mine:
    claims = frozenset()
    logs = ()
    initial = ()
    start_area = "run"

    def __init__(self, ground):
        self.ground = ground

    def step(self, port, control):
        return Run("run")

    @staticmethod
    def demand(product, sizes):
        raise NotImplementedError
"""


def test_a_procedure_of_one_s_own_is_loaded_from_the_product_s_folder(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(GOOD)
    found = load_own_procedure("mine:Mine", tmp_path)
    assert found(tiny_ground(1, 1)).step(None, POWER_UP) == Run("run")
    assert is_own_procedure("mine:Mine")
    assert not any(is_own_procedure(name) for name in PROCEDURES)


@pytest.mark.parametrize(
    ("name", "source", "says"),
    [
        ("other:Mine", GOOD, "no file other.py for the procedure 'other:Mine'"),
        ("mine:Yours", GOOD, "no class Yours"),
        ("mine:Mine", GOOD.replace("def step", "def steps"), "class Mine lacks step"),
        ("mine:Mine", GOOD.replace("    logs = ()\n", "").replace("def demand", "def need"), "lacks logs, demand"),
        ("mine:Mine", "1 / 0", "ZeroDivisionError: division by zero"),
        ("mine:Mine", "class Mine", "SyntaxError"),
        ("mine:Mine", "import no_such_module_anywhere", "ModuleNotFoundError"),
    ],
)
def test_what_can_not_be_loaded_says_where_and_what_next(tmp_path: Path, name: str, source: str, says: str) -> None:
    (tmp_path / "mine.py").write_text(source)
    with pytest.raises(ProcedureError, match=says) as refused:
        load_own_procedure(name, tmp_path)
    assert refused.value.where in ("mine.py", "update.procedure")
    assert refused.value.next_step
