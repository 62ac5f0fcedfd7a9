"""The form of the tables [[lock_field]] in chip.toml, and what they must satisfy."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from rootwright.describe.fields import Name, Size, YesNo, choice, whole
from rootwright.describe.forms import Form
from rootwright.describe.lock_field import LifeState, LockField, LockRole, Observer
from rootwright.describe.problems import Fault, KeyPath, did_you_mean, listed, shown
from rootwright.describe.units import address_words

WIDTHS = (8, 16, 32, 64)

Word = Annotated[int, whole(0, 2**64 - 1)]

Seers = list[Annotated[Observer, choice(Observer)]]


class VisibleForm(Form):
    """Who can see the field in each state of the life cycle. A state left out follows the debug port."""

    development: Seers | None = Field(default=None, description="While the part is open.")
    production: Seers | None = Field(default=None, description="Once it is locked, in the factory and in the field.")
    field_return: Seers | None = Field(
        default=None, description="After it came back and was opened as far as it opens."
    )
    end_of_life: Seers | None = Field(default=None, description="After it was taken out of service.")

    def visible(self) -> tuple[tuple[LifeState, tuple[Observer, ...]], ...]:
        """Return the states that are given."""
        given = {
            LifeState.DEVELOPMENT: self.development,
            LifeState.PRODUCTION: self.production,
            LifeState.FIELD_RETURN: self.field_return,
            LifeState.END_OF_LIFE: self.end_of_life,
        }
        return tuple((state, tuple(seers)) for state, seers in given.items() if seers is not None)


class LockFieldForm(Form):
    """One field that holds a protection: in a settings word, a one-time word or a register."""

    name: Name = Field(description="Short name of the field, for exact settings, capture sheet and readback.")
    protection: Name | None = Field(
        default=None, description="Name of the protection that it sets; left out for identifiers."
    )
    role: Annotated[LockRole, choice(LockRole)] = Field(
        description="What its bits say: one bit for each granule; first or last granule of a range (empty where the "
        "start is above the end); number of granules from the start of the memory; a level; who the unit is; which "
        "silicon it is."
    )
    address: Size = Field(description="Address of the word it lies in.")
    width: Annotated[int, whole(8, 64)] = Field(default=32, description="Access width of that word in bits: 8 to 64.")
    low: Annotated[int, whole(0, 63)] = Field(default=0, description="Its lowest bit in the word.")
    bits: Annotated[int, whole(1, 64)] | None = Field(
        default=None, description="How many bits it has; up to the top of the word if not given."
    )
    first: Annotated[int, whole(0, 1_000_000)] = Field(
        default=0,
        description="Mask: the granule that the lowest bit stands for. Range and size: the number of the region.",
    )
    active_low: YesNo = Field(default=False, description="Whether a 0 protects instead of a 1; for masks.")
    locked: Word | None = Field(
        default=None, description="Level: the value that locks. Silicon revision: the value of the revision described."
    )
    delivered: Word | None = Field(
        default=None, description="Value as delivered; if not given, erased for stored fields and 0 for registers."
    )
    stored_in: Name | None = Field(
        default=None, description="Name of the stored field of which this register is the loaded copy."
    )
    visible: VisibleForm = Field(default=VisibleForm(), description="Who can see it.")

    def count(self) -> int:
        """Return the field's number of bits."""
        return self.width - self.low if self.bits is None else self.bits

    def lock_field(self) -> LockField:
        """Return the field."""
        return LockField(
            name=self.name,
            role=self.role,
            address=self.address,
            protection=self.protection or "",
            width=self.width,
            low=self.low,
            bits=self.count(),
            first=self.first,
            active_low=self.active_low,
            locked=self.locked,
            delivered=self.delivered,
            stored_in=self.stored_in or "",
            visible=self.visible.visible(),
        )


def check_place(path: KeyPath, form: LockFieldForm) -> Iterator[Fault]:
    """Yield what is wrong with a field's width, bits and values."""
    if form.width not in WIDTHS:
        yield Fault((*path, "width"), str(form.width), f"one of {listed([str(w) for w in WIDTHS])}")
        return
    if form.address % (form.width // 8):
        yield Fault(
            (*path, "address"), address_words(form.address), f"a multiple of {form.width // 8}, the width in bytes"
        )
    if form.count() < 1 or form.low + form.count() > form.width:
        key = "low" if form.bits is None else "bits"
        yield Fault((*path, key), f"bits {form.low} and up, {form.count()} of them", f"bits inside {form.width}")
        return
    for key, value in (("locked", form.locked), ("delivered", form.delivered)):
        if value is not None and value >> form.count():
            yield Fault((*path, key), f"0x{value:X}", f"a value of at most {form.count()} bits")


def check_meaning(path: KeyPath, form: LockFieldForm, protections: list[str], names: list[str]) -> Iterator[Fault]:
    """Yield what is wrong with a field's protection, role and partner."""
    alone = form.role in (LockRole.UNIT, LockRole.SILICON)
    if not alone and form.protection not in protections:
        found = "nothing" if form.protection is None else shown(form.protection)
        hint = did_you_mean(form.protection, protections) if form.protection else ""
        yield Fault((*path, "protection"), found, f"the name of a protection: {listed(protections)}", hint)
    if alone and form.protection is not None:
        yield Fault((*path, "protection"), shown(form.protection), f"nothing: the role is {shown(form.role.value)}")
    if form.role is LockRole.LEVEL and form.locked is None:
        yield Fault((*path, "locked"), "nothing", "the value that locks")
    if form.active_low and form.role is not LockRole.MASK:
        yield Fault((*path, "active_low"), "true", f'nothing: the role is {shown(form.role.value)}, not "mask"')
    if form.stored_in is not None and (form.stored_in not in names or form.stored_in == form.name):
        others = [name for name in names if name != form.name]
        expected = f"the name of another lock field: {listed(others)}"
        yield Fault((*path, "stored_in"), shown(form.stored_in), expected, did_you_mean(form.stored_in, others))
