"""The manual page on images: its messages are the ones printed; tests/test_docs.py runs its example."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest

from rootwright.errors import ImageError
from rootwright.image import Image, Segment, read_image, require_inside

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "images.md").read_text()


def message_of(data: bytes, name: str) -> str:
    with pytest.raises(ImageError) as caught:
        read_image(data, name=name)
    return str(caught.value)


def test_the_messages_are_the_printed_ones() -> None:
    ident = b"\x7fELF\1\1\1" + bytes(9) + struct.pack("<HHIIIIIHHHHHH", 2, 40, 1, 0, 52, 0, 0, 52, 32, 1, 40, 0, 0)
    elf = (ident + struct.pack("<8I", 1, 0x54, 0, 0, 0x1000, 0x1000, 5, 4)).ljust(0x800, b"\0")
    intel = "".join(f":01{n:04X}00AA{-(0xAB + n) & 0xFF:02X}\n" for n in range(11)) + ":01000000AA56\n"
    lines = [bytes([4, 0, n, 0]) for n in range(37)]
    motorola = "".join(f"S1{raw.hex().upper()}{~sum(raw) & 0xFF:02X}\n" for raw in lines)
    motorola = "S0030000FC\n\n" + motorola + "S5030026D6\n"
    with pytest.raises(ImageError) as caught:
        require_inside(Image("app.elf", "elf", "arm", (Segment(0x18000, bytes(0x21000)),)), 0x18000, 0x20000)
    seen = [message_of(elf, "app.elf"), message_of(intel.encode(), "app.hex")]
    seen += [message_of(motorola.encode(), "app.srec"), str(caught.value)]
    assert re.findall(r"```text\n(.*?)```", PAGE, re.S)[0] == "\n".join(seen) + "\n"
