"""Device descriptions: element and attribute names of Open-CMSIS-Pack's PDSC format; documents made by xml.etree."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from part_files import element, xml

from rootwright.bring.device_description import device_names, read_device_description
from rootwright.bring.facts import PartFacts
from rootwright.bring.safe_xml import parse_xml
from rootwright.describe.chip import Architecture, MemoryKind
from rootwright.errors import DescriptionError


def package(*families: ET.Element) -> bytes:
    return xml(element("package", element("vendor", text="Quillford"), element("devices", *families)))


def read(data: bytes, device: str | None = None) -> PartFacts:
    return read_device_description(parse_xml(data, name="p.pdsc"), name="p.pdsc", device=device)


def device(name: str, *children: ET.Element) -> ET.Element:
    return element("device", *children, Dname=name)


def memory(name: str, start: str, size: str, access: str, **more: str) -> ET.Element:
    return element("memory", name=name, start=start, size=size, access=access, **more)


CORE = element("processor", Dcore="Cortex-M33", Dclock="100000000", Dmpu="MPU")


def test_everything_is_inherited_and_may_be_replaced_deeper() -> None:
    data = package(
        element(
            "family",
            CORE,
            memory("RAM", "0x20000000", "0x4000", "rwx"),
            element(
                "subFamily",
                memory("Flash", "0x0", "0x10000", "rx", startup="1"),
                device("A"),
                device(
                    "B",
                    element("processor", Dclock="50000000"),
                    memory("Flash", "0x0", "0x20000", "rx", startup="1"),
                    element("variant", memory("RAM", "0x20000000", "0x8000", "rwx"), Dvariant="B-X"),
                ),
                DsubFamily="S",
            ),
            Dfamily="F",
        )
    )
    assert device_names(parse_xml(data, name="p"), name="p") == ("A", "B", "B-X")
    sizes = {}
    for name in ("A", "B", "B-X"):
        facts = read(data, name)
        sizes[name] = {memory.called: memory.size.value for memory in facts.memories}
        assert facts.architecture is not None
        assert facts.architecture.value is Architecture.ARMV8_M
        assert facts.clock_hz is not None
        assert facts.clock_hz.value == (100_000_000 if name == "A" else 50_000_000)
        assert facts.reset_address is not None
        assert facts.reset_address.value == 0
        assert facts.protection_unit is not None
        assert facts.protection_unit.value
    assert sizes == {
        "A": {"RAM": 0x4000, "Flash": 0x10000},
        "B": {"RAM": 0x4000, "Flash": 0x20000},
        "B-X": {"RAM": 0x8000, "Flash": 0x20000},
    }


def test_what_an_algorithm_programs_is_flash_and_the_older_ids_are_read() -> None:
    old = element("memory", id="IROM1", start="0x0", size="0x8000")
    ram = element("memory", id="IRAM1", start="0x20000000", size="4096")
    both = memory("Both", "0x8000", "0x8000", "rwx")
    algorithm = element("algorithm", name="x.flm", start="0x8000", size="0x8000")
    facts = read(package(element("family", device("A", old, ram, both, algorithm), Dfamily="F")))
    kinds = {memory.called: memory.kind.value if memory.kind else None for memory in facts.memories}
    assert kinds == {"IROM1": MemoryKind.FLASH, "IRAM1": MemoryKind.RAM, "Both": MemoryKind.FLASH}
    assert facts.algorithms[0].name == "x.flm"


def test_a_device_must_be_chosen_and_be_there() -> None:
    data = package(element("family", device("QD-128"), device("QD-256"), Dfamily="F"))
    with pytest.raises(DescriptionError, match="2 devices: QD-128, QD-256") as error:
        read(data)
    assert "--device" in error.value.next_step
    with pytest.raises(DescriptionError, match="no device") as error:
        read(data, "QD256")
    assert "QD-256" in error.value.next_step
    with pytest.raises(DescriptionError, match="no device in it"):
        read(xml(element("package")))


@pytest.mark.parametrize(
    ("start", "size", "said"),
    [
        ("0x0", "lots", "size is 'lots'"),
        ("-4", "1", "start is"),
        ("0xFFFFFFFF", "0x10", "no range"),
        ("0", "0", "no range"),
    ],
)
def test_numbers_that_cannot_be_meant(start: str, size: str, said: str) -> None:
    with pytest.raises(DescriptionError, match=said) as error:
        read(package(element("family", device("A", memory("M", start, size, "rx")), Dfamily="F")))
    assert error.value.where == "p.pdsc:2"


def test_an_unknown_core_and_a_second_processor_are_said() -> None:
    facts = read(
        package(
            element(
                "family",
                device(
                    "A",
                    element("processor", Pname="x", Dcore="Z80"),
                    element("processor", Pname="y", Dcore="Cortex-M4"),
                ),
                Dfamily="F",
            )
        )
    )
    assert facts.architecture is None
    said = " ".join(note.value for note in facts.notes)
    assert "Z80" in said
    assert "several processors" in said
