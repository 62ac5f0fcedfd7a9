"""The command sequences of a release's manifest: the standard's own directives, in the order of the procedure.

| procedure | payload-fetch | install | invoke |
|---|---|---|---|
| in-place, recovery-image | | fetch into the run component, match | start |
| copy-over | fetch into staging, match | match in staging, copy to run, match | start |
| exchange | fetch into staging, match | match in staging, swap with run, match | start |
| either-slot | | fetch the link of the slot that does not run, match | start |
| bank-flip | | slot is 1 (mapped high), fetch, match | slot is 0 (mapped low), start |

Validate matches every run component. Copying and swapping belong to the boot stage, which is why they stand in install
and fetching does not: payload-fetch runs while the old images do (draft-ietf-suit-manifest-34 section 8.4.6).

The standard has no directive for a flip of banks. A slot number says which bank a component means: the manifest tests
it before it fetches and before it starts, so code whose bank was not mapped low is never started.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from rootwright.describe.product import ImageRole, PayloadPlace, Procedure, Product
from rootwright.errors import ReleaseRefused
from rootwright.release.shape import EXCHANGES, STAGED, run_component, stage_component
from rootwright.suit.digest import compute
from rootwright.suit.identifiers import class_identifier, vendor_identifier
from rootwright.suit.numbers import Condition, Directive, Parameter
from rootwright.suit.structures import (
    Command,
    CommandSequence,
    ComponentIdentifier,
    ConditionCommand,
    DirectiveCommand,
    OverrideParameters,
    ParameterValue,
    SetComponentIndex,
    TryEach,
)

MAPPED_LOW, MAPPED_HIGH = 0, 1
"""Slot numbers of a flipped bank's component: the bank that runs after the next start, and the other one."""

_MATCH = ConditionCommand(Condition.IMAGE_MATCH)


@dataclass(frozen=True, slots=True)
class Payload:
    """One image as it travels.

    Attributes:
        image: The image's name in the product.
        slot: Component slot it is linked for; None where the procedure runs code from one address only.
        file_name: Name of its file beside the envelope.
        uri: What the manifest fetches it by; `#...` when integrated.
        content: The bytes from the image's first to its last address; gaps hold the memory's erased value.
    """

    image: str
    version: str
    slot: int | None
    file_name: str
    uri: str
    content: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class Sections:
    """Components and command sequences of one manifest."""

    components: tuple[ComponentIdentifier, ...]
    shared: CommandSequence
    payload_fetch: CommandSequence | None
    install: CommandSequence
    validate: CommandSequence
    invoke: CommandSequence


def make_sections(product: Product, shape: Procedure, payloads: Sequence[Payload]) -> Sections:
    """Return the command sequences by which a device installs the payloads the way its procedure does."""
    return _Writer(product, shape, payloads).write()


class _Writer:
    def __init__(self, product: Product, shape: Procedure, payloads: Sequence[Payload]) -> None:
        self.product = product
        self.shape = shape
        self.names = [spec.name for spec in product.updatable_images]
        self.own = {name: [p for p in payloads if p.image == name] for name in self.names}
        self.staged = shape in STAGED
        # Staging stands right behind the component it is for.
        self.run = {name: index * (2 if self.staged else 1) for index, name in enumerate(self.names)}
        self.components = tuple(
            component
            for name in self.names
            for component in (run_component(name), stage_component(name))[: 2 if self.staged else 1]
        )

    def write(self) -> Sections:
        runs = list(self.run.values())
        fetch: list[Command] = []
        for name in self.names:
            fetch += self.fetch(name)
        invoke: list[Command] = []
        if self.shape is Procedure.BANK_FLIP:
            invoke += [self.select(runs), *_slot(MAPPED_LOW)]
        return Sections(
            self.components,
            self.shared(),
            tuple(fetch) if self.staged else None,
            self.moves() if self.staged else tuple(fetch),
            (self.select(runs), _MATCH),
            (*invoke, self.select([self.started()]), DirectiveCommand(Directive.INVOKE)),
        )

    def select(self, indices: Sequence[int]) -> SetComponentIndex:
        """Return the shortest command that selects these components."""
        if len(indices) == 1:
            return SetComponentIndex(indices[0])
        return SetComponentIndex(True if len(indices) == len(self.components) else tuple(indices))

    def started(self) -> int:
        """Return the component that is started: the application, or the first where there is none."""
        for spec in self.product.updatable_images:
            if spec.role is ImageRole.APPLICATION:
                return self.run[spec.name]
        return 0

    def shared(self) -> CommandSequence:
        """Return who the manifest is for, and each image's digest and size."""
        vendor = vendor_identifier(self.product.vendor_domain)
        identity: dict[Parameter, ParameterValue] = {
            Parameter.VENDOR_IDENTIFIER: vendor,
            Parameter.CLASS_IDENTIFIER: class_identifier(vendor, self.product.class_name),
        }
        commands: list[Command] = [
            self.select(range(len(self.components))),
            OverrideParameters.of(identity),
            ConditionCommand(Condition.VENDOR_IDENTIFIER),
            ConditionCommand(Condition.CLASS_IDENTIFIER),
        ]
        for name in self.names:
            run = self.run[name]
            commands += [
                self.select([run, run + 1] if self.staged else [run]),
                *self.by_slot(
                    name, lambda p: {Parameter.IMAGE_DIGEST: compute(p.content), Parameter.IMAGE_SIZE: len(p.content)}
                ),
            ]
        return tuple(commands)

    def fetch(self, name: str) -> CommandSequence:
        """Return the commands that receive one image, and test what was stored."""
        index = self.run[name] + (1 if self.staged else 0)
        where = _slot(MAPPED_HIGH) if self.shape is Procedure.BANK_FLIP else ()
        uri = self.by_slot(name, lambda p: {Parameter.URI: p.uri})
        return (SetComponentIndex(index), *where, *uri, DirectiveCommand(Directive.FETCH), _MATCH)

    def moves(self) -> CommandSequence:
        """Return the boot stage's part: all staged images are tested before the first one moves."""
        move = DirectiveCommand(Directive.SWAP if self.shape in EXCHANGES else Directive.COPY)
        commands: list[Command] = [self.select([run + 1 for run in self.run.values()]), _MATCH]
        for run in self.run.values():
            source = OverrideParameters.of({Parameter.SOURCE_COMPONENT: run + 1})
            commands += [SetComponentIndex(run), source, move, _MATCH]
        return tuple(commands)

    def by_slot(
        self, name: str, parameters: Callable[[Payload], Mapping[Parameter, ParameterValue]]
    ) -> CommandSequence:
        """Return the commands that set parameters: at once, or in a try-each that asks which slot is meant."""
        payloads = self.own[name]
        if payloads[0].slot is None:
            return (OverrideParameters.of(parameters(payloads[0])),)
        return (TryEach(tuple((*_slot(p.slot or 0), OverrideParameters.of(parameters(p))) for p in payloads)),)


def _slot(number: int) -> CommandSequence:
    return (
        OverrideParameters.of({Parameter.COMPONENT_SLOT: number}),
        ConditionCommand(Condition.COMPONENT_SLOT),
    )


def payload_uri(product: Product, label: str, file_name: str) -> str:
    """Return what a manifest fetches a payload by: its name in the envelope, or its place on a server.

    Raises:
        ReleaseRefused: The place of detached payloads reads like a name in the envelope.
    """
    if product.update.payload is PayloadPlace.INTEGRATED:
        return f"#{label}"
    base = product.update.uri
    if base.startswith("#"):
        raise ReleaseRefused(
            f"uri {base!r} names a part of the envelope, and the payloads are detached from it",
            where=product.model,
            next_step="name the place of the files, or leave uri out",
        )
    return f"{base}{'' if not base or base.endswith('/') else '/'}{file_name}"
