"""What a trial is, and what comes of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, TypeAlias

from rootwright.device.consumer import Consumer, DeviceState, Fetch
from rootwright.prove.trials.subject import Subject
from rootwright.suit.numbers import Reason
from rootwright.suit.words import word


@dataclass(frozen=True, slots=True)
class Attempt:
    """One thing done to one device.

    Attributes:
        envelope: What is offered.
        fetch: What its URIs yield.
        device: The device it is offered to.
        between: What happens to the device between acceptance and start.
        label: Tells the attempts of one trial apart.
    """

    envelope: bytes | bytearray = field(repr=False)
    fetch: Fetch = field(repr=False)
    device: DeviceState = field(repr=False)
    between: Callable[[DeviceState], DeviceState] | None = None
    label: str = ""


@dataclass(frozen=True, slots=True)
class Refusal:
    """The device must refuse.

    Attributes:
        any_of: Acceptable reasons, each with our detail word, empty for any.
        step: "offer" or "start".
        before_fetch: Whether it must refuse before it asks for a payload or writes anything.
    """

    any_of: tuple[tuple[Reason, str], ...]
    step: str = "offer"
    before_fetch: bool = False

    def describe(self) -> str:
        """Return the expectation in words."""
        how = " or ".join(f"{word(reason)}{f' ({detail})' if detail else ''}" for reason, detail in self.any_of)
        return f"refused at the {self.step}{', before any fetch' if self.before_fetch else ''}: {how}"


@dataclass(frozen=True, slots=True)
class Unaffected:
    """The device must install exactly the genuine release, whatever was tried."""

    def describe(self) -> str:
        """Return the expectation in words."""
        return "the genuine release, and nothing else, is installed"


@dataclass(frozen=True, slots=True)
class NothingToDo:
    """The device must see that there is nothing to do."""

    def describe(self) -> str:
        """Return the expectation in words."""
        return "nothing to do, and nothing done"


Expectation: TypeAlias = "Refusal | Unaffected | NothingToDo"


class NotApplicable(Exception):
    """Raised by a trial's `attempts` where the product gives nothing to try; the argument says why."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A way to alter the genuine release, and what a device must do about it.

    Attributes:
        threats: Identifiers of RFC 9124; none for a control.
        alteration: What is altered, and who could do it.
        expect: What the device must do, in every attempt.
        attempts: Makes the attempts; raises NotApplicable.
    """

    id: str
    threats: tuple[str, ...]
    title: str
    alteration: str
    expect: Expectation
    attempts: Callable[[Subject], Sequence[Attempt]]


@dataclass(frozen=True, slots=True)
class Look:
    """A question about the product's own choices, where a device can only be as good as they are.

    Attributes:
        look: Returns what is left open; empty where nothing is.
    """

    id: str
    threats: tuple[str, ...]
    title: str
    alteration: str
    look: Callable[[Subject, Consumer], str]


class Status(StrEnum):
    """What came of a trial or a threat."""

    PASSED = "passed"
    FAILED = "failed"
    OPEN = "not met"
    NOT_APPLICABLE = "not applicable"
    ELSEWHERE = "not a device's to meet"


@dataclass(frozen=True, slots=True)
class TrialResult:
    """What came of one trial.

    Attributes:
        expected: In words.
        found: What the device did: of the first attempt that failed, else of the first.
        attempts: How many attempts were made.
        why: What the device did wrong, what is left open, or why the trial does not apply.
        reports: The reports behind `found`, for JSON.
    """

    id: str
    threats: tuple[str, ...]
    title: str
    alteration: str
    expected: str
    status: Status
    found: str = ""
    attempts: int = 0
    why: str = ""
    reports: tuple[dict[str, Any], ...] = field(default=(), repr=False)

    @property
    def passed(self) -> bool:
        """Whether the device did what it must; True as well where the trial does not apply."""
        return self.status in (Status.PASSED, Status.NOT_APPLICABLE)

    def to_dict(self) -> dict[str, Any]:
        """Return the result for JSON."""
        return {
            "id": self.id,
            "threats": list(self.threats),
            "title": self.title,
            "alteration": self.alteration,
            "expected": self.expected,
            "status": self.status.value,
            "found": self.found,
            "attempts": self.attempts,
            "why": self.why,
            "reports": list(self.reports),
        }


@dataclass(frozen=True, slots=True)
class ThreatResult:
    """What the trials say about one threat of RFC 9124."""

    id: str
    title: str
    section: str
    status: Status
    trials: tuple[str, ...]
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the result for JSON."""
        return {
            "id": self.id,
            "title": self.title,
            "section": self.section,
            "status": self.status.value,
            "trials": list(self.trials),
            "why": self.why,
        }


@dataclass(frozen=True, slots=True)
class TrialReport:
    """All trials of one product, by trial and by threat."""

    trials: tuple[TrialResult, ...]
    threats: tuple[ThreatResult, ...]

    @property
    def passed(self) -> bool:
        """Whether no trial failed; threats that the product's choices leave open do not count here."""
        return all(trial.status is not Status.FAILED for trial in self.trials)

    @property
    def open_threats(self) -> tuple[ThreatResult, ...]:
        """The threats that the product's choices leave open."""
        return tuple(threat for threat in self.threats if threat.status is Status.OPEN)

    def to_dict(self) -> dict[str, Any]:
        """Return the report for JSON."""
        return {
            "passed": self.passed,
            "trials": [trial.to_dict() for trial in self.trials],
            "threats": [threat.to_dict() for threat in self.threats],
        }
