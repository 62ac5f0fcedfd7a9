"""Settings areas as the core finds them after a start: what their words mean, and what a change of meaning does.

A word that its complement does not match, or whose unit cannot be decoded, counts as torn: the area then loads as
locked where the part can do that, else as its default. See `describe.settings` for the words.
"""

from __future__ import annotations

from collections.abc import Mapping

from rootwright.bench.flash import BLANK, TORN, FlashContent
from rootwright.describe.settings import Complement, Effect, SettingsArea, SettingsField, Torn

LOCKED = "locked"
"""What every field of an area that loads as locked means; such a part starts nothing."""


def load_area(area: SettingsArea, flash: FlashContent) -> dict[str, str]:
    """Return what an area's fields mean with this content of its memory."""
    if all(unit == BLANK for unit in flash.units):
        return {field.name: field.default for field in area.fields}
    if any(_is_torn(area, flash, field) for field in area.fields):
        is_locked = Torn.LOCKED in area.torn
        return {field.name: LOCKED if is_locked else field.default for field in area.fields}
    return {field.name: meaning(field, _word(flash, field.offset)) for field in area.fields}


def meaning(field: SettingsField, word: int) -> str:
    """Return what a field means in a word: a row of its map, or its number in decimal."""
    value = word >> field.bit & (1 << field.width) - 1
    return field.meaning(value) if field.values else str(value)


def _word(flash: FlashContent, offset: int) -> int:
    return int.from_bytes(flash.read(flash.base + offset, 4), "little")


def _is_torn(area: SettingsArea, flash: FlashContent, field: SettingsField) -> bool:
    first = field.offset // flash.unit
    units = flash.units[first : (field.offset + 3) // flash.unit + 1]
    if TORN in units:
        return True
    if all(unit == BLANK for unit in units):
        return False  # A word that nobody wrote has its default value.
    word = _word(flash, field.offset)
    if area.complement is Complement.UPPER_HALF:
        return word >> 16 ^ word & 0xFFFF != 0xFFFF
    if area.complement is Complement.NEXT_WORD:
        return word ^ _word(flash, field.offset + 4) != 0xFFFF_FFFF
    return False


def changed(area: SettingsArea, before: Mapping[str, str], after: dict[str, str]) -> tuple[dict[str, str], set[Effect]]:
    """Return what a part makes of new meanings: changes that it does not make are left out; and their side effects."""
    taken = dict(after)
    effects: set[Effect] = set()
    for field in area.fields:
        old, new = before.get(field.name, field.default), after[field.name]
        if old == new or LOCKED in (old, new):
            continue
        transition = field.find_transition(old, new)
        if not transition.possible:
            taken[field.name] = old
        elif transition.effect is not Effect.NONE:
            effects.add(transition.effect)
    return taken, effects
