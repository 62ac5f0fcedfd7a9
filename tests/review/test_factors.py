"""The tables of ISO/IEC 18045 and how costs combine; sources beside each check."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.describe.attack import Effort, Equipment, Expertise, Knowledge, Resist
from rootwright.review.factors import (
    FACTORS,
    NEEDED_TO_RESIST,
    Band,
    band_of,
    combine,
    moved,
    time_points,
    window_points,
)


@pytest.mark.parametrize(
    ("days", "points"),
    # ISO/IEC 18045, annex B.4, elapsed time; from memory. 7, 30, 90 and 180 days also in ISO/SAE 21434, annex G.
    [
        *((0, 0), (1, 0), (1.1, 1), (7, 1), (8, 2), (14, 2), (30, 4), (31, 7), (60, 7), (90, 10), (120, 13)),
        *((150, 15), (180, 17), (181, 19), (9999, 19)),
    ],
)
def test_elapsed_time(days: float, points: int) -> None:
    assert time_points(days) == points


@pytest.mark.parametrize(
    ("hours", "samples", "points"),
    # ISO/IEC 18045, annex B.4.2: easy below a day and ten samples, moderate below a month and a hundred; from memory.
    [(0, 0, 0), (0.1, 0, 1), (0, 1, 1), (23.9, 9, 1), (24, 0, 4), (0, 10, 4), (719, 99, 4), (720, 0, 10), (0, 100, 10)],
)
def test_window_of_opportunity(hours: float, samples: int, points: int) -> None:
    assert window_points(hours, samples) == points


@pytest.mark.parametrize(
    ("points", "band"),
    # ISO/IEC 18045, annex B.4, rating of vulnerabilities; from memory.
    [
        *((0, Band.BASIC), (9, Band.BASIC), (10, Band.ENHANCED_BASIC), (13, Band.ENHANCED_BASIC)),
        *((14, Band.MODERATE), (19, Band.MODERATE), (20, Band.HIGH), (24, Band.HIGH)),
        *((25, Band.BEYOND_HIGH), (56, Band.BEYOND_HIGH)),
    ],
)
def test_bands(points: int, band: Band) -> None:
    assert band_of(points) is band


def test_resisting_a_potential_takes_the_next_band() -> None:
    # The same table's column on what a product resists: 14 to 19 points resist enhanced-basic, and so on.
    names = [*Resist]
    for resist, needed in NEEDED_TO_RESIST.items():
        assert band_of(needed) == [*Band][names.index(resist) + 1]
        assert band_of(needed - 1).value == resist.value


def test_levels_have_the_standard_s_points() -> None:
    # Expertise 0, 3, 6; knowledge 0, 3, 7, 11; equipment 0, 4, 7: ISO/IEC 18045, annex B.4, and ISO/SAE 21434, annex G.
    assert [combine([Effort(expertise=e, field="a")]).total for e in Expertise] == [0, 3, 6]
    assert [combine([Effort(knowledge=k)]).total for k in Knowledge] == [0, 3, 7, 11]
    assert [combine([Effort(equipment=e, rig="r")]).total for e in Equipment] == [0, 4, 7]


def expert(field: str) -> Effort:
    return Effort(expertise=Expertise.EXPERT, field=field)


def rig(level: Equipment, name: str) -> Effort:
    return Effort(equipment=level, rig=name)


def test_steps_combine_as_the_standard_means_it() -> None:
    # Durations add before the table is read: two weeks and two weeks are a month, not 2 + 2.
    assert combine([Effort(days=14), Effort(days=14)]).points[0] == 4
    # Experts of one field stay experts, of two are multiple experts (8).
    assert combine([expert("radio"), expert("radio")]).points[1] == 6
    assert combine([expert("radio"), expert("firmware")]).points[1] == 8
    # Proficient people of two fields are no experts.
    assert combine([Effort(expertise=Expertise.PROFICIENT), Effort(expertise=Expertise.PROFICIENT)]).points[1] == 3
    # Knowledge is that of the step that asks most.
    assert combine([Effort(knowledge=Knowledge.SENSITIVE), Effort(knowledge=Knowledge.RESTRICTED)]).points[2] == 7
    # Samples add up: nine are easy, nine and nine are not.
    assert [combine([Effort(samples=9)] * n).points[3] for n in (1, 2)] == [1, 4]
    # Distinct specialised benches count as bespoke; distinct bespoke rigs as multiple bespoke (9).
    bench, bus = rig(Equipment.SPECIALISED, "bench"), rig(Equipment.SPECIALISED, "bus")
    assert combine([bench, bench]).points[4] == 4
    assert combine([bench, bus]).points[4] == 7
    laser, lab = rig(Equipment.BESPOKE, "laser"), rig(Equipment.BESPOKE, "laboratory")
    assert combine([laser, laser, bench]).points[4] == 7
    assert combine([laser, lab]).points[4] == 9


def test_fractions_of_days_do_not_miss_a_limit() -> None:
    assert combine([Effort(days=0.1)] * 70).points[0] == time_points(7)


EFFORTS = st.builds(
    Effort,
    days=st.sampled_from([0.0, 0.4, 1.0, 6.5, 20.0, 80.0, 200.0]),
    expertise=st.sampled_from(Expertise),
    field=st.sampled_from("ab"),
    knowledge=st.sampled_from(Knowledge),
    access_hours=st.sampled_from([0.0, 3.0, 30.0, 800.0]),
    samples=st.integers(0, 60),
    equipment=st.sampled_from(Equipment),
    rig=st.sampled_from("xy"),
)


@given(st.lists(EFFORTS, max_size=5), EFFORTS)
def test_a_further_step_never_makes_an_attack_cheaper(efforts: list[Effort], more: Effort) -> None:
    # The search drops supersets; that is right only because of this.
    before, after = combine(efforts).points, combine([*efforts, more]).points
    assert all(a <= b for a, b in zip(before, after, strict=True))


@given(EFFORTS, st.sampled_from(FACTORS))
def test_moving_a_guess_moves_its_factor_by_one_row(effort: Effort, factor: str) -> None:
    place = FACTORS.index(factor)
    bare = Effort(
        effort.days, effort.expertise, effort.field, effort.knowledge, effort.access_hours, 0, effort.equipment, "x"
    )
    now = combine([bare]).points
    for by in (-1, 1):
        other = moved(bare, factor, by)
        if other is not None:
            then = combine([other]).points
            assert (then[place] - now[place]) * by > 0
            assert then[:place] + then[place + 1 :] == now[:place] + now[place + 1 :]
