"""How images get from staging to where they run: from the wrong place, untested, twice, or not at all."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from rootwright.prove.trials.identities import signed_attempt
from rootwright.prove.trials.model import Attempt, NotApplicable, Refusal, Trial
from rootwright.prove.trials.subject import Subject, change_parameters
from rootwright.suit.digest import compute
from rootwright.suit.numbers import Directive, Parameter, Reason
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    Manifest,
    OverrideParameters,
    ParameterValue,
    SetComponentIndex,
)

_BY_MISTAKE = "signed by the author, by mistake"
_MOVES = (Directive.COPY, Directive.SWAP)


def _install(subject: Subject) -> CommandSequence:
    """Return the commands by which the boot stage moves images; only where they are staged does a manifest do that."""
    section = subject.manifest.install
    if not subject.is_staged:
        raise NotApplicable("the procedure copies and swaps nothing")
    assert isinstance(section, tuple)
    return section


def _with_install(subject: Subject, install: CommandSequence | None, label: str = "") -> Attempt:
    return signed_attempt(subject, replace(subject.manifest, install=install), label)


def _with_indices(sequence: CommandSequence, change: Callable[[int], int]) -> CommandSequence:
    """Return a sequence with other components selected, where one is."""
    return tuple(
        SetComponentIndex(change(command.index))
        if isinstance(command, SetComponentIndex) and type(command.index) is int
        else command
        for command in sequence
    )


def _with_sources(sequence: CommandSequence, change: Callable[[int], int]) -> CommandSequence:
    """Return a sequence with other source components."""

    def edit(index: int, parameters: dict[int, ParameterValue]) -> None:
        source = parameters.get(Parameter.SOURCE_COMPONENT)
        if isinstance(source, int):
            parameters[Parameter.SOURCE_COMPONENT] = change(source)

    return change_parameters(sequence, edit)


def _into_run(subject: Subject) -> Sequence[Attempt]:
    _install(subject)
    straight: Manifest = subject.with_receiving(_with_indices(subject.receiving, lambda index: index - 1))
    return [signed_attempt(subject, straight)]


def _wrong_source(subject: Subject) -> Sequence[Attempt]:
    install, count = _install(subject), len(subject.manifest.components)
    first, match, *moves = install
    # Staging is component 1, 3 and so on, each behind the one it is for.
    backwards = _with_indices(_with_sources(tuple(moves), lambda source: source - 1), lambda index: index + 1)
    attempts = [_with_install(subject, (first, match, *backwards), "from where it runs into staging")]
    if count > 2:
        for label, step in (("another image's staging", 2), ("where another image runs", 1)):
            other = _with_sources(install, lambda source, step=step: (source + step) % count)  # type: ignore[misc]
            attempts.append(_with_install(subject, other, label))
    return attempts


def _twice(subject: Subject) -> Sequence[Attempt]:
    install = _install(subject)
    move = next(command for command in install if command.number in _MOVES)
    return [_with_install(subject, (*install, move))]


def _not_at_all(subject: Subject) -> Sequence[Attempt]:
    install = _install(subject)
    last = max(at for at, command in enumerate(install) if command.number in _MOVES)
    still = tuple(command for command in install if command.number not in _MOVES)
    return [
        _with_install(subject, None, "no install section"),
        _with_install(subject, (*install[:last], *install[last + 2 :]) or None, "all but the last"),
        _with_install(subject, still, "tests alone"),
    ]


def _untested(subject: Subject) -> Sequence[Attempt]:
    install = _install(subject)
    in_part: list[Command] = []
    for index, place in enumerate(subject.places):
        content = next(p.content for p in subject.received() if p.image == place.image)[:-1]
        stated: dict[Parameter, ParameterValue] = {
            Parameter.IMAGE_DIGEST: compute(content),
            Parameter.IMAGE_SIZE: len(content),
        }
        in_part += [SetComponentIndex(2 * index), OverrideParameters.of(stated)]
    return [
        _with_install(subject, install[2:], "not at all"),
        _with_install(subject, (*in_part, *install), "a byte less than was tested"),
    ]


TRIALS = (
    Trial(
        "received-where-it-runs",
        ("THREAT.IMG.LOCATION",),
        "An image is fetched straight into the slot that runs, although it is to wait in staging",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "not-receiving"),), before_fetch=True),
        _into_run,
    ),
    Trial(
        "wrong-source",
        ("THREAT.IMG.LOCATION",),
        "An image moves from another image's place, or backwards",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "wrong-source"),)),
        _wrong_source,
    ),
    Trial(
        "moved-twice",
        ("THREAT.IMG.REPLACE",),
        "An image moves a second time, which would bring the old one back",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "moved-twice"),)),
        _twice,
    ),
    Trial(
        "not-moved",
        ("THREAT.IMG.REPLACE",),
        "An image is received and stays in staging",
        _BY_MISTAKE,
        Refusal(((Reason.OPERATION_FAILED, "not-moved"), (Reason.CONDITION_FAILED, "image-digest-differs"))),
        _not_at_all,
    ),
    Trial(
        "moved-untested",
        ("THREAT.IMG.REPLACE",),
        "The boot stage is to move an image that it has not tested, or not wholly",
        _BY_MISTAKE,
        Refusal(((Reason.CONDITION_FAILED, "source-not-tested"), (Reason.CONDITION_FAILED, "size-differs"))),
        _untested,
    ),
)
