"""Which digest covers each integrated payload: every way through the manifest that fetches it is followed.

A payload in the envelope is not signed; the digest that the manifest sets for the component it is fetched into is what
ties it to the signature. Conditions on a component's slot are followed consistently, so that in a manifest for two
slots each payload is held against the digest of its own slot. Any other condition may pass or fail.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, TypeAlias

from rootwright.errors import VerificationError
from rootwright.suit.numbers import Condition, Directive, ManifestKey, Parameter
from rootwright.suit.parameters import Parameters
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ConditionCommand,
    DirectiveCommand,
    Manifest,
    OverrideParameters,
    ParameterValue,
    RunSequence,
    SetComponentIndex,
    TryEach,
)

#: States followed at the same time; a manifest that needs more is refused rather than judged in part.
MAX_STATES = 4096
#: Commands followed in all states together.
MAX_STEPS = 200_000

_Index: TypeAlias = int | Literal[True] | tuple[int, ...]
_Table: TypeAlias = tuple[tuple[int, ParameterValue], ...]


@dataclass(frozen=True, slots=True)
class Fetched:
    """One way an integrated payload reaches a component: the payload's name and what was set at that moment."""

    name: str
    component_index: int
    parameters: Parameters


@dataclass(frozen=True, slots=True)
class _State:
    index: _Index
    soft: bool
    tables: tuple[_Table, ...]
    slots: frozenset[tuple[int, int, bool]] = field(default_factory=frozenset)

    def with_parameters(self, component: int, changes: Mapping[int, ParameterValue]) -> _State:
        table = tuple(sorted({**dict(self.tables[component]), **changes}.items(), key=lambda pair: pair[0]))
        return replace(self, tables=(*self.tables[:component], table, *self.tables[component + 1 :]))

    def assume_slot(self, component: int, slot: int, equal: bool) -> _State | None:
        """Return the state with one more fact about a slot; None where it contradicts what is assumed."""
        for known_component, known_slot, known_equal in self.slots:
            if known_component != component:
                continue
            if known_slot == slot and known_equal != equal:
                return None
            if known_equal and equal and known_slot != slot:
                return None
        return replace(self, slots=self.slots | {(component, slot, equal)})


@dataclass(frozen=True, slots=True)
class _Ends:
    """States after a command or sequence: where it passed, and where a condition failed."""

    passed: frozenset[_State]
    failed: frozenset[_State]


class _Walk:
    def __init__(self, components: int, names: Collection[str]) -> None:
        self.components = components
        self.names = names
        self.found: set[Fetched] = set()
        self.steps = 0

    def sequence(self, sequence: CommandSequence, states: Iterable[_State]) -> _Ends:
        current = frozenset(states)
        failed: set[_State] = set()
        for command in sequence:
            passed: set[_State] = set()
            for state in current:
                ends = self.command(command, state)
                passed |= ends.passed
                failed |= ends.failed
            current = frozenset(passed)
            if len(current) + len(failed) > MAX_STATES or self.steps > MAX_STEPS:
                raise VerificationError(
                    "the manifest has too many ways through it to tell what covers its payloads",
                    next_step="use fewer alternatives, or send the payloads apart from the envelope",
                )
        return _Ends(current, frozenset(failed))

    def command(self, command: Command, state: _State) -> _Ends:
        if isinstance(command, SetComponentIndex):
            return _Ends(frozenset({replace(state, index=command.index)}), frozenset())
        if state.index is True:
            targets = tuple(range(self.components))
        else:
            targets = state.index if isinstance(state.index, tuple) else (state.index,)
        current = frozenset({state})
        failed: set[_State] = set()
        for target in targets:
            passed: set[_State] = set()
            self.steps += len(current)
            for each in current:
                ends = self.one(command, each, target)
                passed |= ends.passed
                failed |= ends.failed
            current = frozenset(passed)
        return _Ends(current, frozenset(failed))

    def one(self, command: Command, state: _State, target: int) -> _Ends:
        if isinstance(command, OverrideParameters):
            values = dict(command.parameters)
            soft = values.pop(Parameter.SOFT_FAILURE, state.soft)
            values.pop(Parameter.STRICT_ORDER, None)
            changed = replace(state.with_parameters(target, values), soft=bool(soft))
            return _Ends(frozenset({changed}), frozenset())
        if isinstance(command, ConditionCommand):
            return self.condition(command, state, target)
        if isinstance(command, TryEach):
            return self.try_each(command, state, target)
        if isinstance(command, RunSequence):
            ends = self.sequence(command.sequence, {replace(state, index=target, soft=False)})
            passed = ends.passed | {end for end in ends.failed if end.soft}
            return self.back(state, passed, ends.failed - passed)
        if isinstance(command, DirectiveCommand) and command.number == Directive.FETCH:
            parameters = Parameters.of(dict(state.tables[target]))
            if parameters.uri in self.names:
                self.found.add(Fetched(str(parameters.uri), target, parameters))
        return _Ends(frozenset({state}), frozenset())

    def condition(self, command: ConditionCommand, state: _State, target: int) -> _Ends:
        if command.number == Condition.ABORT:
            return _Ends(frozenset(), frozenset({state}))
        slot = Parameters.of(dict(state.tables[target])).component_slot
        if command.number != Condition.COMPONENT_SLOT or slot is None:
            return _Ends(frozenset({state}), frozenset({state}))
        equal, other = state.assume_slot(target, slot, True), state.assume_slot(target, slot, False)
        return _Ends(
            frozenset() if equal is None else frozenset({equal}), frozenset() if other is None else frozenset({other})
        )

    def try_each(self, command: TryEach, state: _State, target: int) -> _Ends:
        pending = {replace(state, index=target, soft=True)}
        passed: set[_State] = set()
        failed: set[_State] = set()
        for sequence in command.sequences:
            ends = self.sequence(sequence, pending)
            passed |= ends.passed
            failed |= {end for end in ends.failed if not end.soft}
            pending = {replace(end, index=target, soft=True) for end in ends.failed if end.soft}
        if command.or_nothing:
            passed |= pending
        else:
            failed |= pending
        return self.back(state, passed, failed)

    @staticmethod
    def back(outer: _State, passed: Iterable[_State], failed: Iterable[_State]) -> _Ends:
        """Give the states the outer sequence's index and soft failure again."""
        return _Ends(
            frozenset(replace(end, index=outer.index, soft=outer.soft) for end in passed),
            frozenset(replace(end, index=outer.index, soft=outer.soft) for end in failed),
        )


def fetched_payloads(
    manifest: Manifest, sections: Mapping[ManifestKey, CommandSequence], names: Collection[str]
) -> tuple[Fetched, ...]:
    """Return every way in which the manifest can fetch the payloads of these names, in a fixed order.

    Args:
        manifest: Whose structure was checked: indices are in range.
        sections: The command sequences at hand.
        names: Names of integrated payloads.

    Raises:
        VerificationError: There are too many ways through the manifest.
    """
    walk = _Walk(len(manifest.components), names)
    for sequence in sections.values():
        start = _State(0, False, tuple(() for _ in manifest.components))
        after_shared = walk.sequence(manifest.shared, {start}).passed
        walk.sequence(sequence, {replace(state, index=0, soft=False) for state in after_shared})
    return tuple(sorted(walk.found, key=lambda way: (way.name, way.component_index, repr(way.parameters))))
