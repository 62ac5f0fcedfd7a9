"""Attack potential as ISO/IEC 18045 counts it: points of the five factors, how steps combine, bands.

Source: ISO/IEC 18045 (the Common Methodology, version 3.1 and 2022), annex B.4, tables of factors and of ratings. From
memory. The points of expertise, knowledge, window and equipment, those of one week and of 1, 3 and 6 months, and the
rule for distinct specialised equipment were compared with what public sources cite of ISO/SAE 21434, annex G, which
takes them over; the points of 2 weeks and of 2, 4 and 5 months and the limits of the window (a day and ten samples, a
month and a hundred samples) are from memory alone.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from rootwright.describe.attack import Effort, Equipment, Expertise, Knowledge, Resist

TIME_POINTS: tuple[tuple[float, int], ...] = (
    (1, 0),
    (7, 1),
    (14, 2),
    (30, 4),
    (60, 7),
    (90, 10),
    (120, 13),
    (150, 15),
    (180, 17),
)
"""Days up to and including which an attack has so many points."""

LONGER_POINTS = 19
TIME_LIMITS = tuple(limit for limit, _ in TIME_POINTS)
_TIME_POINTS = (*(points for _, points in TIME_POINTS), LONGER_POINTS)
EXPERTISE_POINTS = {Expertise.LAYMAN: 0, Expertise.PROFICIENT: 3, Expertise.EXPERT: 6}
MULTIPLE_EXPERTS_POINTS = 8
KNOWLEDGE_POINTS = {Knowledge.PUBLIC: 0, Knowledge.RESTRICTED: 3, Knowledge.SENSITIVE: 7, Knowledge.CRITICAL: 11}
EQUIPMENT_POINTS = {Equipment.STANDARD: 0, Equipment.SPECIALISED: 4, Equipment.BESPOKE: 7}
MULTIPLE_BESPOKE_POINTS = 9
WINDOW_POINTS = (0, 1, 4, 10)
"""Unnecessary or unlimited, easy, moderate, difficult."""

EASY_HOURS, MODERATE_HOURS = 24.0, 30 * 24.0
EASY_SAMPLES, MODERATE_SAMPLES = 10, 100

FACTORS = ("elapsed time", "expertise", "knowledge", "window", "equipment")


class Band(StrEnum):
    """The attack potential that an attack takes."""

    BASIC = "basic"
    ENHANCED_BASIC = "enhanced-basic"
    MODERATE = "moderate"
    HIGH = "high"
    BEYOND_HIGH = "beyond high"


BAND_STARTS = ((25, Band.BEYOND_HIGH), (20, Band.HIGH), (14, Band.MODERATE), (10, Band.ENHANCED_BASIC), (0, Band.BASIC))

NEEDED_TO_RESIST = {Resist.BASIC: 10, Resist.ENHANCED_BASIC: 14, Resist.MODERATE: 20, Resist.HIGH: 25}
"""Points that every attack must take, for a product to resist attackers of a potential: those of the next band."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What steps cost together: points of the five factors, in the order of `FACTORS`."""

    points: tuple[int, int, int, int, int]

    @property
    def total(self) -> int:
        """All points together."""
        return sum(self.points)

    @property
    def band(self) -> Band:
        """The attack potential that it takes."""
        return band_of(self.total)


def band_of(points: int) -> Band:
    """Return the band of a number of points.

    Example:
        >>> str(band_of(9)), str(band_of(14)), str(band_of(25))
        ('basic', 'moderate', 'beyond high')
    """
    return next(band for start, band in BAND_STARTS if points >= start)


def time_points(days: float) -> int:
    """Return the points of an elapsed time in days."""
    return _TIME_POINTS[bisect_left(TIME_LIMITS, days)]


def window_points(access_hours: float, samples: int) -> int:
    """Return the points of the window of opportunity: hours of access that could be noticed, devices used up."""
    if access_hours <= 0 and samples <= 0:
        return WINDOW_POINTS[0]
    if access_hours < EASY_HOURS and samples < EASY_SAMPLES:
        return WINDOW_POINTS[1]
    if access_hours < MODERATE_HOURS and samples < MODERATE_SAMPLES:
        return WINDOW_POINTS[2]
    return WINDOW_POINTS[3]


def combine(efforts: Iterable[Effort]) -> Cost:
    """Return what several steps cost together, each taken once.

    Durations, hours of access and samples add, then the tables are read. Expertise, knowledge and equipment are those
    of the hardest step; experts of different fields are multiple experts, different bespoke rigs multiple bespoke, and
    different specialised rigs are as bespoke.

    Example:
        >>> from rootwright.describe.attack import Effort
        >>> combine([Effort(days=5), Effort(days=5)]).points
        (2, 0, 0, 0, 0)
    """
    return combine_read(read_effort(effort) for effort in efforts)


ReadEffort = tuple[float, float, int, int, int, str, str, str]
"""An effort with its tables read: days, hours, samples, points of expertise and knowledge, then the expert's field, the
specialised and the bespoke rig, each empty where there is none. The search combines many thousands."""


def read_effort(effort: Effort) -> ReadEffort:
    """Return an effort with its tables read."""
    return (
        effort.days,
        effort.access_hours,
        effort.samples,
        EXPERTISE_POINTS[effort.expertise],
        KNOWLEDGE_POINTS[effort.knowledge],
        effort.field if effort.expertise is Expertise.EXPERT else "",
        effort.rig if effort.equipment is Equipment.SPECIALISED else "",
        effort.rig if effort.equipment is Equipment.BESPOKE else "",
    )


def combine_read(efforts: Iterable[ReadEffort]) -> Cost:
    """Return the same as `combine`, of efforts whose tables are read."""
    days = hours = 0.0
    samples = expertise = knowledge = 0
    fields: set[str] = set()
    specialised: set[str] = set()
    bespoke: set[str] = set()
    for more_days, more_hours, more_samples, skill, secret, field, special, made in efforts:
        days += more_days
        hours += more_hours
        samples += more_samples
        if skill > expertise:
            expertise = skill
        if secret > knowledge:
            knowledge = secret
        if field:
            fields.add(field)
        if special:
            specialised.add(special)
        if made:
            bespoke.add(made)
    if len(fields) > 1:
        expertise = MULTIPLE_EXPERTS_POINTS
    # Sums of fractions of a day must not miss a limit of the table by a rounding error.
    return Cost(
        (
            time_points(round(days, 9)),
            expertise,
            knowledge,
            window_points(round(hours, 9), samples),
            _equipment_points(specialised, bespoke),
        )
    )


def _equipment_points(specialised: set[str], bespoke: set[str]) -> int:
    if len(bespoke) > 1:
        return MULTIPLE_BESPOKE_POINTS
    if bespoke or len(specialised) > 1:
        return EQUIPMENT_POINTS[Equipment.BESPOKE]
    return EQUIPMENT_POINTS[Equipment.SPECIALISED] if specialised else 0


_EXPERTISE = tuple(Expertise)
_KNOWLEDGE = tuple(Knowledge)
_EQUIPMENT = tuple(Equipment)
_HOURS = (0.0, EASY_HOURS / 2, MODERATE_HOURS / 2, MODERATE_HOURS)
"""Hours of access in the middle of each row of the window."""


def moved(effort: Effort, factor: str, by: int) -> Effort | None:
    """Return an effort with one factor moved by one row of its table, None where there is no such row.

    A moved elapsed time is the longest of its row. A moved window moves its hours of access.
    """
    if factor == "elapsed time":
        rows = (*TIME_LIMITS, TIME_LIMITS[-1] * 2)
        at = next((i for i, limit in enumerate(rows) if effort.days <= limit), len(rows) - 1) + by
        return replace(effort, days=rows[at]) if 0 <= at < len(rows) else None
    if factor == "window":
        at = WINDOW_POINTS.index(window_points(effort.access_hours, 0)) + by
        return replace(effort, access_hours=_HOURS[at]) if 0 <= at < len(_HOURS) else None
    if factor == "expertise":
        at = _EXPERTISE.index(effort.expertise) + by
        if not 0 <= at < len(_EXPERTISE):
            return None
        return replace(effort, expertise=_EXPERTISE[at], field=effort.field or "of this step")
    if factor == "knowledge":
        at = _KNOWLEDGE.index(effort.knowledge) + by
        return replace(effort, knowledge=_KNOWLEDGE[at]) if 0 <= at < len(_KNOWLEDGE) else None
    at = _EQUIPMENT.index(effort.equipment) + by
    if not 0 <= at < len(_EQUIPMENT):
        return None
    return replace(effort, equipment=_EQUIPMENT[at], rig=effort.rig or "of this step")
