"""The concrete oracle on cases that are worked out by hand from docs/model.md, and what its replay refuses."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rootwright.describe.chip import BlankRead, Reprogram
from rootwright.device.content import FOREIGN, PROGRAMMED, Kind, content_cell
from rootwright.device.ground import Ground, tiny_ground
from rootwright.device.port import BLANK, FAULT, POWER_UP, Again, Claim, Control, LogSpec, Offer, Outcome, Port, Run
from rootwright.device.port import Version as V
from rootwright.errors import ProcedureError
from rootwright.prove.events import CutEvent, Event, Exploit, Move, MoveEvent, RenameEvent, StepEvent
from rootwright.prove.oracle import OracleLevel, OracleVerdict, explore_concretely, replay
from rootwright.prove.oracle.environment import initial_state
from rootwright.prove.oracle.port import ConcretePort, Flash, KeepTouchedError, Subject
from rootwright.prove.oracle.state import (
    GARBAGE,
    NOTHING,
    Log,
    Slot,
    newest_readings,
    settle,
    torn_append,
    torn_erase,
    torn_log_erase,
    torn_program,
)

OLD, NEW = int(content_cell(Kind.CURRENT, 0, 0)), int(content_cell(Kind.NEXT, 0, 0))
RUN, STAGE = 0, 1  # sectors of tiny_ground(1, ...)
TWO, ONE = LogSpec("journal"), LogSpec("journal", halves=1)
UNCHECKED = LogSpec("journal", check_code=False)


class Bare:
    """Runs what it finds; each test changes a step of it."""

    claims: frozenset[Claim] = frozenset({Claim.APPROVED_ONLY, Claim.BOOTS, Claim.ENDS, Claim.FLOOR, Claim.KEEPS})
    logs: tuple[LogSpec, ...] = (TWO,)
    initial: tuple[tuple[str, Any], ...] = (("journal", ("kept",)),)
    start_area = "run"

    def step(self, port: Port, control: Control) -> Outcome:
        return Run("run")


def port_on(
    ground: Ground, flash: Flash | None = None, *answers: object, restless: bool = False, eager: bool = False
) -> ConcretePort:
    """Return the oracle's device; its undecided reads find `answers`, in order."""
    given = list(answers)

    def choose(options: Any, _: int) -> Any:
        answer = given.pop(0)
        assert answer in options
        return answer

    subject = Subject(Bare(), ground, OracleLevel(restless=restless), eager=eager, bounded=True)
    return ConcretePort(subject, flash or initial_state(subject).flash, choose)


def explored(procedure: Any, ground: Ground, **level: Any) -> OracleVerdict:
    return explore_concretely(procedure, ground, OracleLevel(**level))


# Tears, by hand


def test_a_torn_program_gives_old_new_or_undecodable() -> None:
    assert set(torn_program(BLANK, NEW, eager=True)) == {(int(BLANK),), (NEW,), (int(FAULT),)}
    assert list(torn_program(BLANK, NEW, eager=False)) == [tuple(sorted((int(BLANK), NEW, int(FAULT))))]


def test_a_torn_erase_gives_any_mix_of_its_cells() -> None:
    """Four contents in each of two cells: sixteen mixes, all blank, all old and all programmed among them."""
    mixes = set(torn_erase((OLD, OLD), eager=True))
    each = [(OLD,), (int(BLANK),), (int(PROGRAMMED),), (int(FAULT),)]
    assert mixes == {(a, b) for a in each for b in each}
    assert len(mixes) == 16
    assert len(set(torn_erase((int(BLANK),) * 4, eager=True))) == 3**4
    assert list(torn_erase((OLD,), eager=False)) == [(tuple(sorted(cell for (cell,) in each)),)]


def test_a_torn_erase_of_a_torn_cell_keeps_what_it_could_read_as() -> None:
    assert set(torn_erase(((OLD, NEW),), eager=True)) == {
        ((value,),) for value in (OLD, NEW, int(BLANK), int(PROGRAMMED), int(FAULT))
    }


@pytest.mark.parametrize(
    ("spec", "readings"),
    [(TWO, {None, ("b",)}), (UNCHECKED, {None, ("b",), GARBAGE})],
)
def test_a_torn_record_is_there_or_not_or_garbage_without_a_check_code(spec: LogSpec, readings: set[object]) -> None:
    log = Log((), (Slot((("a",),)),))
    left = list(torn_append(spec, log, ("b",), eager=True))
    assert {newest_readings(each) for each in left} == {((reading or ("a",)),) for reading in readings}
    (open_,) = torn_append(spec, log, ("b",), eager=False)
    assert set(newest_readings(open_)) == {reading or ("a",) for reading in readings}


def test_a_log_of_one_half_erased_in_place_may_keep_any_older_record_or_none() -> None:
    log = Log((), (Slot((("a",),)), Slot((("b",),))))
    left = {newest_readings(each)[0] for each in torn_log_erase(log, eager=True)}
    assert left == {None, ("a",), ("b",)}
    (open_,) = torn_log_erase(log, eager=False)
    assert set(newest_readings(open_)) == left
    assert newest_readings(settle(open_, ("a",))) == (("a",),)
    assert newest_readings(settle(open_, None)) == (None,)


def test_an_empty_log_reads_as_nothing() -> None:
    assert newest_readings(Log((), ())) == (None,)
    assert newest_readings(Log((), (NOTHING, NOTHING))) == (None,)


# Operations on the oracle's device


def test_a_cut_in_an_erase_leaves_a_weak_sector_and_only_a_whole_erase_clears_it() -> None:
    port = port_on(tiny_ground(1, 1), None, OLD, eager=False)
    port.erase(RUN)
    assert [(cut.operation, cut.where) for cut in port.cuts] == [(0, "before"), (0, "inside"), (0, "after")]
    before, inside, after = (cut.flash for cut in port.cuts)
    assert (before.weak, inside.weak, after.weak) == (frozenset(), frozenset({RUN}), frozenset())
    assert after.cells[RUN] == (int(BLANK),)

    torn = port_on(tiny_ground(1, 1), inside, int(BLANK))
    assert torn.is_blank(RUN)  # it looks blank
    torn.program(RUN, 0, content_cell(Kind.CURRENT, 0, 0))
    assert torn.digest("run").version == 0  # and sound
    assert torn.flash().weak == {RUN}  # and is neither
    torn.erase(RUN)
    assert torn.flash().weak == frozenset()


def test_programming_what_is_not_blank_is_as_the_part_says() -> None:
    for kind, same in ((Reprogram.NEVER, int(FAULT)), (Reprogram.BITS, OLD), (Reprogram.ZEROS_ONLY, OLD)):
        ground = tiny_ground(1, 1)
        ground = replace(ground, sectors=tuple(replace(sector, reprogram=kind) for sector in ground.sectors))
        port = port_on(ground)
        port.program(RUN, 0, content_cell(Kind.CURRENT, 0, 0))
        assert port.flash().cells[RUN] == (same,)
        port = port_on(ground)
        port.program(RUN, 0, content_cell(Kind.NEXT, 0, 0))
        assert port.flash().cells[RUN] == (int(FAULT),)


def test_a_torn_cell_settles_at_its_first_read_or_never() -> None:
    port = port_on(tiny_ground(1, 1), eager=False)
    port.program(STAGE, 0, content_cell(Kind.NEXT, 0, 0))
    torn = port.cuts[1].flash
    steady = port_on(tiny_ground(1, 1), torn, NEW)
    assert [steady.read(STAGE, 0), steady.read(STAGE, 0)] == [NEW, NEW]
    restless = port_on(tiny_ground(1, 1), torn, NEW, int(BLANK), restless=True)
    assert [restless.read(STAGE, 0), restless.read(STAGE, 0)] == [NEW, BLANK]


def test_an_undefined_blank_read_may_be_anything() -> None:
    ground = tiny_ground(1, 1)
    ground = replace(ground, sectors=tuple(replace(s, blank_read=BlankRead.UNDEFINED) for s in ground.sectors))
    port = port_on(ground, None, int(FOREIGN), int(BLANK))
    assert [port.read(STAGE, 0), port.read(STAGE, 0)] == [FOREIGN, BLANK]


def test_a_digest_wants_one_version_in_its_place() -> None:
    ground = tiny_ground(2, 1)
    whole = port_on(ground)
    assert whole.digest("run").version == 0
    assert whole.digest("stage").version is None
    for kind, link, places in (
        (Kind.NEXT, 0, (1, 0)),  # the sectors changed places
        (Kind.NEXT, 1, (0, 1)),  # linked for the other slot
        (Kind.ALTERED, 0, (0, 1)),
        (Kind.STALE, 0, (0, 1)),
    ):
        port = port_on(ground)
        for sector, place in zip(ground.area("stage"), places, strict=True):
            port.program(sector, 0, content_cell(kind, link, place))
        assert port.digest("stage").version is None
    port = port_on(ground)
    for place, sector in enumerate(ground.area("stage")):
        port.program(sector, 0, content_cell(Kind.NEXT, 0, place))
    assert port.digest("stage").version == V(1)
    assert port.digest("stage").identity != port.digest("run").identity


def test_a_keep_area_is_guarded() -> None:
    ground = tiny_ground(1, 1)
    with pytest.raises(KeepTouchedError):
        port_on(ground).erase(ground.keep[0])
    with pytest.raises(KeepTouchedError):
        port_on(ground).program(ground.keep[0], 0, FOREIGN)


def test_a_cut_in_the_settings_word_leaves_old_new_or_the_default() -> None:
    first = port_on(tiny_ground(1, 1))
    assert first.settings() == 0
    first.program_settings(1)
    port = port_on(tiny_ground(1, 1), first.flash(), eager=False)
    port.program_settings(2)
    torn = port.cuts[1].flash.settings
    assert isinstance(torn, tuple)
    assert set(torn) == {0, 1, 2}


# Searches, by hand


class ErasesRun(Bare):
    """Erases the run slot at an offer and programs the same image again: whatever is cut off is run from."""

    def step(self, port: Port, control: Control) -> Outcome:
        if isinstance(control, Offer):
            port.erase(RUN)
            port.program(RUN, 0, content_cell(Kind.CURRENT, 0, 0))
        return Run("run")


def test_running_from_a_weak_cell_fails_though_it_reads_well() -> None:
    verdict = explored(ErasesRun(), tiny_ground(1, 1))
    failure = verdict.failure
    assert failure is not None
    assert (failure.claim, failure.cuts, failure.moves, failure.operations) == (Claim.APPROVED_ONLY, 1, 1, 0)
    assert verdict.ties == {Claim.APPROVED_ONLY}
    assert failure.events == (
        StepEvent(),
        MoveEvent(Move.OFFER, Offer(V(1))),
        CutEvent(0, "inside"),
        StepEvent(),
    )


class ErasesRunAgain(ErasesRun):
    """Erases and programs once more at every power-up, which takes every weakness away."""

    def step(self, port: Port, control: Control) -> Outcome:
        port.erase(RUN)
        port.program(RUN, 0, content_cell(Kind.CURRENT, 0, 0))
        return Run("run")


def test_a_whole_erase_takes_the_weakness_away() -> None:
    for restless in (False, True):
        verdict = explored(ErasesRunAgain(), tiny_ground(1, 1), restless=restless)
        assert verdict.holds
        assert verdict.closed


def test_a_bound_on_cuts_or_states_is_not_called_closed() -> None:
    assert not explored(ErasesRunAgain(), tiny_ground(1, 1), max_cuts=1).closed
    assert not explored(ErasesRunAgain(), tiny_ground(1, 1), max_states=2).closed


def test_an_endless_chain_is_found_with_its_circle() -> None:
    class Endless(Bare):
        def step(self, port: Port, control: Control) -> Outcome:
            return Again("round") if control != "round" else Again(POWER_UP)

    verdict = explored(Endless(), tiny_ground(1, 1))
    assert verdict.failure is not None
    assert (verdict.failure.claim, verdict.failure.cuts, verdict.failure.moves) == (Claim.ENDS, 0, 0)

    class Unclaimed(Endless):
        claims = Endless.claims - {Claim.ENDS}

    verdict = explored(Unclaimed(), tiny_ground(1, 1))
    assert verdict.holds
    assert verdict.not_claimed == (f"{Claim.ENDS.value}: an endless chain of steps",)


# What a replay refuses


CUT_IN_ERASE: tuple[Event, ...] = (StepEvent(), MoveEvent(Move.OFFER, Offer(V(1))), CutEvent(0, "inside"))


def test_a_replay_gives_the_same_failure_again() -> None:
    found = replay(ErasesRun(), tiny_ground(1, 1), OracleLevel(), (*CUT_IN_ERASE, StepEvent()))
    assert found is not None
    assert (found.claim, found.cuts, found.moves) == (Claim.APPROVED_ONLY, 1, 1)
    assert found.path[1] == "offer: a newer genuine update"
    assert replay(ErasesRun(), tiny_ground(1, 1), OracleLevel(), (StepEvent(),)) is None


@pytest.mark.parametrize(
    ("events", "says"),
    [
        ((*CUT_IN_ERASE, StepEvent(), StepEvent()), "goes on after the failure"),
        ((StepEvent(), StepEvent()), "a step while the device is at rest"),
        ((MoveEvent(Move.RESET),), "a move in the middle of a step"),
        ((StepEvent(), MoveEvent(Move.CRASH)), "'crash' is not possible at rest"),
        ((StepEvent(), MoveEvent(Move.EXPLOIT, Exploit(("boot",)))), "is not possible at rest"),
        ((StepEvent(), RenameEvent("older")), "no floor rises here"),
        ((CutEvent(7, "before"),), "makes no operation number 7"),
        ((StepEvent((None,)),), "1 answers are given for 0 undecided reads"),
        (
            (*CUT_IN_ERASE[:2], CutEvent(0, "before", (None,))),
            "1 answers are given for 0 undecided reads before the cut",
        ),
    ],
)
def test_what_can_not_happen_is_refused(events: tuple[Event, ...], says: str) -> None:
    with pytest.raises(ProcedureError, match=says) as refused:
        replay(ErasesRun(), tiny_ground(1, 1), OracleLevel(), events)
    assert "internal error of the explorer" in str(refused.value)


class ReadsJournal(Bare):
    """Writes its journal again at every start, so that a torn record is read."""

    def step(self, port: Port, control: Control) -> Outcome:
        record = port.log("journal").newest()
        port.log("journal").append(("other",) if record == ("kept",) else ("kept",))
        return Run("run")


@pytest.mark.parametrize(
    ("answers", "says"),
    [((), "no answer is given for a read that may find"), ((("never",),), r"a read finds \('never',\), but there can")],
)
def test_answers_must_be_possible(answers: tuple[Any, ...], says: str) -> None:
    events = (CutEvent(0, "inside"), StepEvent(answers))
    with pytest.raises(ProcedureError, match=says):
        replay(ReadsJournal(), tiny_ground(1, 1), OracleLevel(), events)


@pytest.mark.slow
def test_a_log_that_is_not_declared_and_a_step_without_end_are_errors() -> None:
    class Undeclared(Bare):
        def step(self, port: Port, control: Control) -> Outcome:
            port.log("diary")
            return Run("run")

    class Endless(Bare):
        def step(self, port: Port, control: Control) -> Outcome:
            while True:
                port.erase(STAGE)

    with pytest.raises(ProcedureError, match="'diary'"):
        explored(Undeclared(), tiny_ground(1, 1))
    with pytest.raises(ProcedureError, match="more than 20000 operations"):
        explored(Endless(), tiny_ground(1, 1))
