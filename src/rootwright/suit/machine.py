"""The abstract machine of section 6.4: parameters, component index, conditions and directives.

`interpreter` is the way in; this module only executes.
"""

from __future__ import annotations

import hmac
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Literal, NoReturn, TypeAlias

from rootwright.suit.authentication import AuthenticatedManifest
from rootwright.suit.numbers import Condition, Directive, ManifestKey, Parameter, Reason, ReportingPolicy
from rootwright.suit.outcome import SHARED_SECTION, Outcome, Record, Refused
from rootwright.suit.parameters import Parameters
from rootwright.suit.store import ComponentStore, StoreRefusal
from rootwright.suit.structure_check import Limits
from rootwright.suit.structures import (
    CborPen,
    Command,
    CommandSequence,
    ComponentIdentifier,
    ConditionCommand,
    DirectiveCommand,
    OverrideParameters,
    ParameterValue,
    RunSequence,
    SetComponentIndex,
    TryEach,
)
from rootwright.suit.words import parameter_word

_Index: TypeAlias = int | Literal[True] | tuple[int, ...]
_Properties: TypeAlias = tuple[tuple[str, bytes | str | int], ...]


class _ConditionFailed(Exception):
    """A condition did not hold; caught where a sequence may fail softly."""

    def __init__(self, detail: str, text: str, record: Record) -> None:
        self.detail = detail
        self.text = text
        self.record = record
        super().__init__(text)


@dataclass(frozen=True, slots=True)
class _Verdict:
    """What a condition found: passed or not, why not, and what was compared."""

    passed: bool
    detail: str = ""
    text: str = ""
    properties: _Properties = ()


@dataclass(slots=True)
class _Frame:
    """One running sequence with its own settings; they end with it (section 8.4.8.12)."""

    section: ManifestKey
    index: _Index = 0
    soft_failure: bool = False
    strict_order: bool = True
    index_changes_left: int | None = None
    written: set[int] = field(default_factory=set)
    sources: set[int] = field(default_factory=set)


class Machine:
    """Executes sections of one authenticated manifest over one store.

    Args:
        authenticated: The manifest, and the envelope with its integrated payloads.
        store: The device.
        limits: See `Limits`.
    """

    def __init__(self, authenticated: AuthenticatedManifest, store: ComponentStore, limits: Limits) -> None:
        self._components = authenticated.manifest.components
        self._shared = authenticated.manifest.shared
        self._payloads = dict(authenticated.envelope.payloads)
        self._store = store
        self._limits = limits
        self._parameters: dict[int, dict[int, ParameterValue]] = {}
        self._records: list[Record] = []
        self._invoked: list[ComponentIdentifier] = []
        self._commands = 0

    def outcome(self, refusal: Refused | None) -> Outcome:
        """Return the outcome so far; `refusal` is what stopped it, if anything."""
        if refusal is not None:
            return Outcome(
                refusal.reason,
                refusal.detail,
                refusal.text,
                refusal.record,
                tuple(self._records),
                tuple(self._invoked),
                self._commands,
            )
        reason = Reason.INVOKE_PENDING if self._invoked else Reason.OK
        return Outcome(reason, records=tuple(self._records), invoked=tuple(self._invoked), commands=self._commands)

    def run_section(self, key: ManifestKey, sequence: CommandSequence) -> None:
        """Execute the shared sequence and then a section, from cleared parameters.

        Raises:
            Refused: The section failed; what it did before stays done.
        """
        self._parameters = {index: {} for index in range(len(self._components))}
        try:
            self._run(self._shared, _Frame(SHARED_SECTION))
            self._run(sequence, _Frame(key))
        except _ConditionFailed as failure:
            raise Refused(Reason.CONDITION_FAILED, failure.detail, failure.text, failure.record) from None

    # Control flow

    def _run(self, sequence: CommandSequence, frame: _Frame) -> None:
        for command in sequence:
            if isinstance(command, SetComponentIndex):
                self._count(command, frame, 0)
                self._set_index(command, frame)
                continue
            for index in self._targets(frame):
                self._count(command, frame, index)
                self._execute(command, frame, index)

    def _targets(self, frame: _Frame) -> tuple[int, ...]:
        if frame.index is True:
            return tuple(range(len(self._components)))
        return frame.index if isinstance(frame.index, tuple) else (frame.index,)

    def _execute(self, command: Command, frame: _Frame, index: int) -> None:
        if isinstance(command, OverrideParameters):
            self._override(command, frame, index)
        elif isinstance(command, TryEach):
            self._try_each(command, frame, index)
        elif isinstance(command, RunSequence):
            self._run_sequence(command, frame, index)
        elif isinstance(command, ConditionCommand):
            self._condition(command, frame, index)
        elif isinstance(command, DirectiveCommand):
            self._directive(command, frame, index)
        else:
            raise AssertionError("the structure check lets no other command through")

    def _count(self, command: Command, frame: _Frame, index: int) -> None:
        self._commands += 1
        if self._commands > self._limits.commands:
            text = f"more than {self._limits.commands} commands were executed"
            self._refuse(command, frame, index, "command-limit", text)

    def _record(self, command: Command, frame: _Frame, index: int, passed: bool) -> Record:
        return Record(frame.section, command.offset, index, int(command.number), passed)

    def _refuse(
        self,
        command: Command,
        frame: _Frame,
        index: int,
        detail: str,
        text: str,
        reason: Reason = Reason.OPERATION_FAILED,
    ) -> NoReturn:
        raise Refused(reason, detail, text, self._record(command, frame, index, False))

    def _set_index(self, command: SetComponentIndex, frame: _Frame) -> None:
        if frame.index_changes_left == 0:
            # Section 6.7: a sequence handed out while strict order is off must stay with its component.
            self._refuse(command, frame, 0, "order", "the component index is fixed while strict order is off")
        if frame.index_changes_left is not None:
            frame.index_changes_left -= 1
        frame.index = command.index

    def _override(self, command: OverrideParameters, frame: _Frame, index: int) -> None:
        for number, value in command.parameters:
            if number == Parameter.SOFT_FAILURE:
                frame.soft_failure = bool(value)
            elif number == Parameter.STRICT_ORDER:
                frame.strict_order = bool(value)
                frame.written.clear()
                frame.sources.clear()
            else:
                self._parameters[index][number] = value

    def _try_each(self, command: TryEach, frame: _Frame, index: int) -> None:
        last: _ConditionFailed | None = None
        for sequence in command.sequences:
            inner = _Frame(frame.section, index, soft_failure=True)
            try:
                self._run(sequence, inner)
            except _ConditionFailed as failure:
                if not inner.soft_failure:
                    raise
                last = failure
            else:
                return
        if last is not None and not command.or_nothing:
            text = f"none of {len(command.sequences)} alternatives passed; the last: {last.text}"
            raise _ConditionFailed("no-alternative", text, last.record)

    def _run_sequence(self, command: RunSequence, frame: _Frame, index: int) -> None:
        inner = _Frame(frame.section, index)
        if not frame.strict_order:
            inner.index_changes_left = 0
            if isinstance(frame.index, int) and frame.index is not True:
                if not isinstance(command.sequence[0], SetComponentIndex):
                    text = "a sequence handed out while strict order is off must begin with its component index"
                    self._refuse(command, frame, index, "order", text)
                inner.index_changes_left = 1
        try:
            self._run(command.sequence, inner)
        except _ConditionFailed:
            if not inner.soft_failure:
                raise

    # Conditions

    def _condition(self, command: ConditionCommand, frame: _Frame, index: int) -> None:
        parameters = Parameters.of(self._parameters[index])
        try:
            verdict = self._judge(command.number, self._components[index], parameters)
        except StoreRefusal as refusal:
            if refusal.reason is not None and refusal.reason != Reason.CONDITION_FAILED:
                self._refuse(command, frame, index, refusal.code, refusal.found, refusal.reason)
            verdict = _Verdict(False, refusal.code, refusal.found)
        record = self._note(command, frame, index, verdict.passed, verdict.properties)
        if not verdict.passed:
            raise _ConditionFailed(verdict.detail, verdict.text, record)

    def _note(
        self,
        command: ConditionCommand | DirectiveCommand,
        frame: _Frame,
        index: int,
        passed: bool,
        properties: _Properties,
    ) -> Record:
        bare = self._record(command, frame, index, passed)
        full = Record(bare.section, bare.offset, bare.component_index, bare.command, passed, properties)
        policy = command.policy
        success = ReportingPolicy.SEND_RECORD_ON_SUCCESS, ReportingPolicy.SEND_SYSINFO_ON_SUCCESS
        failure = ReportingPolicy.SEND_RECORD_ON_FAILURE, ReportingPolicy.SEND_SYSINFO_ON_FAILURE
        wants_record, wants_sysinfo = success if passed else failure
        if policy & wants_record or policy & wants_sysinfo:
            self._records.append(full if policy & wants_sysinfo else bare)
        return full if policy & wants_sysinfo else bare

    def _judge(self, number: Condition, component: ComponentIdentifier, parameters: Parameters) -> _Verdict:
        store = self._store
        if number == Condition.ABORT:
            return _Verdict(False, "abort", "suit-condition-abort")
        if number == Condition.VENDOR_IDENTIFIER:
            vendors = store.vendor_identifiers(component)
            return _identifier(Parameter.VENDOR_IDENTIFIER, parameters.vendor_identifier, vendors)
        if number == Condition.CLASS_IDENTIFIER:
            known = store.class_identifiers(component)
            return _identifier(Parameter.CLASS_IDENTIFIER, parameters.class_identifier, known)
        if number == Condition.DEVICE_IDENTIFIER:
            known = store.device_identifiers(component)
            return _identifier(Parameter.DEVICE_IDENTIFIER, parameters.device_identifier, known)
        if number == Condition.COMPONENT_SLOT:
            if parameters.component_slot is None:
                return _missing(Parameter.COMPONENT_SLOT)
            slot = store.read_slot(component)
            text = f"the component is at slot {slot}, expected {parameters.component_slot}"
            return _Verdict(slot == parameters.component_slot, "slot-differs", text, (("slot", slot),))
        if number == Condition.IMAGE_MATCH:
            expected = parameters.image_digest
            if expected is None:
                return _missing(Parameter.IMAGE_DIGEST)
            found = store.read_digest(component, expected.algorithm, parameters.image_size)
            text = f"the component's digest is {found.hex()}, expected {expected.value.hex()}"
            same = hmac.compare_digest(found, expected.value)
            return _Verdict(same, "image-digest-differs", text, (("digest", found),))
        if number == Condition.CHECK_CONTENT:
            if parameters.content is None:
                return _missing(Parameter.CONTENT)
            content = store.read_content(component, len(parameters.content))
            same = hmac.compare_digest(content, parameters.content)
            return _Verdict(same, "content-differs", "the component's content differs")
        raise AssertionError("the decoder makes no other condition")

    # Directives

    def _directive(self, command: DirectiveCommand, frame: _Frame, index: int) -> None:
        parameters = Parameters.of(self._parameters[index])
        try:
            self._operate(command, frame, index, parameters)
        except StoreRefusal as refusal:
            self._note(command, frame, index, False, ())
            reason = Reason.OPERATION_FAILED if refusal.reason is None else refusal.reason
            self._refuse(command, frame, index, refusal.code, refusal.found, reason)
        self._note(command, frame, index, True, ())

    def _operate(self, command: DirectiveCommand, frame: _Frame, index: int, parameters: Parameters) -> None:
        component = self._components[index]
        if command.number == Directive.INVOKE:
            self._store.invoke(component, parameters)
            self._invoked.append(component)
        elif command.number == Directive.WRITE:
            if parameters.content is None:
                raise _not_set(Parameter.CONTENT)
            self._require_order(command, frame, index, None)
            self._store.write(component, parameters.content, parameters)
        elif command.number == Directive.FETCH:
            if parameters.uri is None:
                raise _not_set(Parameter.URI)
            self._require_order(command, frame, index, None)
            if parameters.uri in self._payloads:
                self._store.write(component, self._payloads[parameters.uri], parameters)
            else:
                self._store.fetch(component, parameters.uri, parameters)
        else:
            if parameters.source_component is None:
                raise _not_set(Parameter.SOURCE_COMPONENT)
            self._require_order(command, frame, index, parameters.source_component)
            source = self._components[parameters.source_component]
            if source == component:
                raise StoreRefusal("same-component", "source and destination are the same component")
            operate = self._store.copy if command.number == Directive.COPY else self._store.swap
            operate(component, source, parameters)

    def _require_order(self, command: DirectiveCommand, frame: _Frame, index: int, source: int | None) -> None:
        """Refuse, while strict order is off, a component that is both written and a source (section 6.7)."""
        if frame.strict_order:
            return
        frame.written.add(index)
        if source is not None:
            frame.sources.add(source)
            if command.number == Directive.SWAP:
                frame.written.add(source)
        if frame.written & frame.sources:
            text = "a component is both written and read from while strict order is off"
            self._refuse(command, frame, index, "order", text)


def _not_set(parameter: Parameter) -> StoreRefusal:
    return StoreRefusal("parameter-missing", f"{parameter_word(parameter)} is not set")


def _missing(parameter: Parameter) -> _Verdict:
    return _Verdict(False, "parameter-missing", f"{parameter_word(parameter)} is not set")


def _identifier(
    parameter: Parameter, expected: bytes | CborPen | None, known: Collection[bytes | CborPen] | Collection[bytes]
) -> _Verdict:
    if expected is None:
        return _missing(parameter)
    name = parameter.name.lower().replace("_", "-")
    value = expected.hex() if isinstance(expected, bytes) else repr(expected)
    passed = expected in known
    text = f"the device does not answer to {name} {value}"
    return _Verdict(passed, f"{name}-differs", text, ((name, value),))
