"""The form of the tables [[settings]] and [[view]] of a chip file."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from rootwright.describe.fields import Name, Size, Text, YesNo, choice, whole
from rootwright.describe.forms import Form
from rootwright.describe.settings import (
    Complement,
    Effect,
    Loaded,
    Purpose,
    SettingsArea,
    SettingsField,
    SettingsValue,
    Side,
    Torn,
    Transition,
    UnlockWrite,
    View,
)

Word = Annotated[int, whole(0, 2**63 - 1)]


class UnlockForm(Form):
    """One write of the unlock sequence."""

    address: Word = Field(description="Address of the register.")
    value: Word = Field(description="Value that is written to it.")


class SettingsValueForm(Form):
    """One row of a field's value map."""

    value: Word = Field(description="The stored bits.")
    means: Text = Field(description="What they mean, in a word or two; other tables speak of the value by these words.")
    maps: Annotated[int, whole(0, 1)] | None = Field(
        default=None, description="For a field that maps banks: the bank that is mapped low."
    )


class TransitionForm(Form):
    """A change of a field that the part refuses or that does more than change the field."""

    before: Text = Field(description="Meaning before the change.")
    after: Text = Field(description="Meaning after the change.")
    possible: YesNo = Field(
        default=True, description="Whether the part makes this change; false for the way back of a one-way field."
    )
    effect: Annotated[Effect, choice(Effect)] = Field(
        default=Effect.NONE, description="What else happens: nothing, all flash is erased, the area is locked for ever."
    )


class SettingsFieldForm(Form):
    """One field of a settings area."""

    name: Name = Field(description="Short name of the field.")
    purpose: Annotated[Purpose, choice(Purpose)] = Field(description="What the field decides.")
    offset: Size = Field(default=0, description="Byte offset in the area of the word that holds it.")
    bit: Annotated[int, whole(0, 63)] = Field(default=0, description="Its lowest bit in that word.")
    width: Annotated[int, whole(1, 64)] = Field(default=1, description="How many bits it has.")
    through: Word | None = Field(
        default=None, description="Address of the register through which the word is written, where there is one."
    )
    active_low: YesNo = Field(default=False, description="Whether a zero bit switches on.")
    values: list[SettingsValueForm] = Field(
        default=[], description="Value map; leave it out for a field that is a number: an address, a sector, a mask."
    )
    otherwise: Text | None = Field(
        default=None, description="What every value means that is not in the map, as the data sheet says."
    )
    default: Text | None = Field(
        default=None, description="What the field means in the area's default state (erased, or found torn)."
    )
    transition: list[TransitionForm] = Field(
        default=[], description="Changes that the part refuses or that have side effects; all others are plain."
    )

    def field(self) -> SettingsField:
        """Return the field."""
        return SettingsField(
            name=self.name,
            purpose=self.purpose,
            offset=self.offset,
            bit=self.bit,
            width=self.width,
            through=self.through,
            active_low=self.active_low,
            values=tuple(SettingsValue(row.value, row.means, row.maps) for row in self.values),
            otherwise=self.otherwise or "",
            default=self.default or "",
            transitions=tuple(Transition(t.before, t.after, t.possible, t.effect) for t in self.transition),
        )


class SettingsForm(Form):
    """How the words of a settings area behave. Its place, units, times and endurance stand in its [[memory]]."""

    memory: Name = Field(description='Name of the memory of kind "settings area".')
    unlock: list[UnlockForm] = Field(default=[], description="Register writes that open it for programming, in order.")
    loaded: Annotated[Loaded, choice(Loaded)] = Field(
        default=Loaded.RESET, description="When it takes effect: at every reset, at power-up only, or on command."
    )
    load_resets: YesNo = Field(default=True, description="Whether loading it resets the core.")
    complement: Annotated[Complement, choice(Complement)] = Field(
        default=Complement.NONE,
        description="Where each word's complement stands: nowhere, in the word's upper half, in the word behind it.",
    )
    torn: list[Annotated[Torn, choice(Torn)]] = Field(
        default=[Torn.OLD, Torn.NEW, Torn.DEFAULT],
        description="What it may load as after its programming was cut: the old words, the new ones, its default, or "
        "locked (its default, and never programmable again).",
    )
    field: list[SettingsFieldForm] = Field(default=[], description="One table for each field.")

    def area(self) -> SettingsArea:
        """Return the area."""
        return SettingsArea(
            memory=self.memory,
            unlock=tuple(UnlockWrite(write.address, write.value) for write in self.unlock),
            loaded=self.loaded,
            load_resets=self.load_resets,
            complement=self.complement,
            torn=tuple(self.torn),
            fields=tuple(field.field() for field in self.field),
        )


class WhenForm(Form):
    """The setting that a view depends on."""

    field: Name = Field(description="Name of the settings field.")
    means: Text = Field(description="The meaning that it must have.")


class ViewForm(Form):
    """A range of bus addresses at which a memory, or a part of it, is seen once more."""

    name: Name = Field(description="Short name of the view.")
    memory: Name = Field(description="Name of the memory that is seen.")
    address: Size = Field(description="First bus address.")
    offset: Size = Field(default=0, description="Where in the memory the view begins.")
    size: Size | None = Field(default=None, description="How much is seen; up to the memory's end if not given.")
    when: WhenForm | None = Field(
        default=None, description="The setting under which it is there; always there if not given."
    )
    side: Annotated[Side, choice(Side)] = Field(
        default=Side.BOTH, description="Which side of a secure/non-secure split sees it."
    )
    cached: YesNo = Field(
        default=False, description="Whether reads go through a cache that is stale until it is invalidated."
    )
    executes: YesNo = Field(default=True, description="Whether the core can run code through it.")

    def view(self, memory_size: int) -> View:
        """Return the view; `memory_size` closes one without a size."""
        return View(
            name=self.name,
            memory=self.memory,
            address=self.address,
            offset=self.offset,
            size=memory_size - self.offset if self.size is None else self.size,
            field=self.when.field if self.when else "",
            value=self.when.means if self.when else "",
            side=self.side,
            cached=self.cached,
            executes=self.executes,
        )
