"""Which reader a file about a part goes to: told from its bytes, never from its name."""

from __future__ import annotations

from rootwright.bring.device_description import read_device_description
from rootwright.bring.devicetree import parse_devicetree
from rootwright.bring.devicetree_facts import read_devicetree
from rootwright.bring.facts import PartFacts
from rootwright.bring.flash_algorithm import read_flash_algorithm
from rootwright.bring.register_description import read_register_description
from rootwright.bring.safe_xml import parse_xml
from rootwright.errors import DescriptionError
from rootwright.image.elfnumbers import MAGIC

FORMATS = "a flash algorithm (ELF), a device or register description (XML) or a devicetree source"


def read_part_file(data: bytes, *, name: str, device: str | None = None) -> PartFacts:
    """Return what a file says of a part.

    Args:
        data: The whole file.
        name: File name, for messages.
        device: Which device of a description that holds several.

    Raises:
        DescriptionError, ImageError: It is none of the known formats, or damaged; with line or byte offset.
    """
    if data[:4] == MAGIC:
        return read_flash_algorithm(data, name=name)
    start = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    if start[:1] == b"<" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        root = parse_xml(data, name=name)
        if root.tag == "package":
            return read_device_description(root, name=name, device=device)
        if root.tag == "device":
            return read_register_description(root, name=name)
        shown = "".join(c if c.isprintable() else "?" for c in root.tag[:40])
        raise DescriptionError(
            f"an XML document of <{shown}>, <package> or <device> expected",
            where=f"{name}:{root.line}",
            next_step=f"name {FORMATS}",
        )
    if b"\0" not in data[:65536] and (b"/dts-v1/" in data[:65536] or b"{" in data[:65536]):
        return read_devicetree(parse_devicetree(data, name=name), name=name)
    raise DescriptionError(
        "no format that is known here" if data else "an empty file", where=name, next_step=f"name {FORMATS}"
    )
