"""Files about a part into one chip file that parses: the whole way of `rootwright chip import`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rootwright.bring.part import MergedPart, merge_parts, peripheral_names
from rootwright.bring.part_text import part_text
from rootwright.bring.recognise import read_part_file
from rootwright.describe.loading import read_chip_text
from rootwright.describe.open_points import OpenPoint, find_open_points
from rootwright.describe.problems import DescriptionProblems, closest, listed
from rootwright.errors import DescriptionError


@dataclass(frozen=True, slots=True)
class ImportedChip:
    """A chip file filled in from other files.

    Attributes:
        part: What the files say together.
        text: The chip file; it has been read without mistakes.
        open_points: Its TODO lines, under the name it was to have.
    """

    part: MergedPart
    text: str = field(repr=False)
    open_points: tuple[OpenPoint, ...]


def import_chip(
    files: Mapping[str, bytes], *, out: str, device: str | None = None, settings: Sequence[str] = ()
) -> ImportedChip:
    """Return a chip file filled in from files about one part.

    Args:
        files: Content of each file by its name: flash algorithms, device and register descriptions, devicetree sources.
        out: What the chip file will be called, for messages.
        device: Which device of a description that holds several.
        settings: Peripherals whose registers are the settings area.

    Raises:
        DescriptionError, ImageError: A file is none of the known formats or damaged, or nothing like a part comes out.
    """
    parts = [read_part_file(data, name=name, device=device) for name, data in files.items()]
    known = peripheral_names(parts)
    for name in settings:
        if name not in known:
            near = closest(name, known)
            raise DescriptionError(
                f"no peripheral {name!r} in these files",
                where="--settings",
                next_step=f"did you mean {near}?"
                if near
                else f"choose one of {listed(known[:40])}"
                if known
                else "give the register description (SVD) as well",
            )
    part = merge_parts(parts, settings=settings)
    text = part_text(part)
    try:
        read_chip_text(text, name=out)
    except DescriptionProblems as error:
        found = error.problems[0]
        raise DescriptionError(
            f"these files together describe no part that can be ({found.message})",
            where=", ".join(files),
            next_step="leave out the file that has this wrong, or start from `rootwright new`",
        ) from None
    return ImportedChip(part, text, find_open_points(text, name=out))
