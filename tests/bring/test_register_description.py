"""System View Descriptions: element names and rules of CMSIS-SVD's schema levels; documents made by xml.etree."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from part_files import element, xml

from rootwright.bring.facts import Cell, PartFacts
from rootwright.bring.register_description import read_register_description
from rootwright.bring.safe_xml import parse_xml
from rootwright.describe.chip import Architecture
from rootwright.errors import DescriptionError


def leaf(tag: str, text: str | int) -> ET.Element:
    return element(tag, text=str(text))


def leaves(**values: str | int) -> list[ET.Element]:
    return [leaf(tag, text) for tag, text in values.items()]


def register(*more: ET.Element, derived: str = "", **values: str | int) -> ET.Element:
    made = element("register", *leaves(**values), *more)
    if derived:
        made.set("derivedFrom", derived)
    return made


def peripheral(name: str, base: int, *registers: ET.Element, derived: str = "", **values: str | int) -> ET.Element:
    made = element("peripheral", *leaves(name=name, baseAddress=hex(base), **values))
    if registers:
        made.append(element("registers", *registers))
    if derived:
        made.set("derivedFrom", derived)
    return made


def read(*peripherals: ET.Element, head: tuple[ET.Element, ...] = ()) -> PartFacts:
    root = element("device", leaf("name", "QD"), *head, element("peripherals", *peripherals))
    return read_register_description(parse_xml(xml(root), name="q.svd"), name="q.svd")


def by_name(facts: PartFacts) -> dict[str, Cell]:
    return {f"{cell.peripheral}.{cell.name}": cell for cell in facts.cells}


def test_properties_are_inherited_down_to_the_register() -> None:
    cells = by_name(
        read(
            peripheral(
                "P",
                0x1000,
                register(name="A", addressOffset=0),
                register(name="B", addressOffset=4, size=16, resetValue="#101", access="read-only"),
                access="write-only",
            ),
            head=(leaf("size", 8), leaf("resetValue", "0xFF")),
        )
    )
    assert (cells["P.A"].address, cells["P.A"].size, cells["P.A"].access, cells["P.A"].reset) == (
        0x1000,
        1,
        "write-only",
        0xFF,
    )
    assert (cells["P.B"].address, cells["P.B"].size, cells["P.B"].access, cells["P.B"].reset) == (
        0x1004,
        2,
        "read-only",
        5,
    )


def test_arrays_of_registers_clusters_and_fields() -> None:
    field = element("field", *leaves(name="EN%s", bitOffset=0, bitWidth=2, dim=4, dimIncrement=2))
    inner = register(element("fields", field), name="R[%s]", addressOffset=4, dim=2, dimIncrement=4)
    cluster = element(
        "cluster", *leaves(name="C%s", addressOffset=0x10, dim=2, dimIncrement=0x20, dimIndex="A,B"), inner
    )
    cells = by_name(read(peripheral("P", 0x4000_0000, cluster)))
    assert {name: cell.address for name, cell in cells.items()} == {
        "P.CA.R0": 0x4000_0014,
        "P.CA.R1": 0x4000_0018,
        "P.CB.R0": 0x4000_0034,
        "P.CB.R1": 0x4000_0038,
    }
    assert [(f.name, f.low, f.width) for f in cells["P.CA.R0"].fields] == [(f"EN{n}", 2 * n, 2) for n in range(4)]


def test_three_spellings_of_bits() -> None:
    spellings = (
        element("field", *leaves(name="A", bitRange="[7:4]")),
        element("field", *leaves(name="B", lsb=4, msb=7)),
        element("field", *leaves(name="C", bitOffset=4, bitWidth=4)),
    )
    cell = read(peripheral("P", 0, register(element("fields", *spellings), name="R", addressOffset=0))).cells[0]
    assert {(field.low, field.width) for field in cell.fields} == {(4, 4)}


def test_named_values_of_a_field() -> None:
    # enumeratedValue: decimal, hexadecimal or binary; an x stands for either bit and names several values.
    rows = [("off", "0"), ("on", "0x1"), ("loader", "#10"), ("any", "#1x"), ("again", "1"), ("large", "9")]
    named = element(
        "enumeratedValues", *(element("enumeratedValue", *leaves(name=name, value=value)) for name, value in rows)
    )
    field = element("field", *leaves(name="F", lsb=0, msb=1), named)
    cell = read(peripheral("P", 0, register(element("fields", field), name="R", addressOffset=0))).cells[0]
    assert cell.fields[0].values == ((0, "off"), (1, "on"), (2, "loader"))


def test_derived_peripherals_registers_and_fields() -> None:
    fields = element("fields", element("field", *leaves(name="F", lsb=0, msb=3)))
    copied = element("fields", element("field", *leaves(name="G"), derivedFrom="P.A.F"))
    facts = read(
        peripheral("P", 0x100, register(fields, name="A", addressOffset=0, access="read-only")),
        peripheral("Q", 0x200, derived="P"),
        peripheral(
            "R",
            0x300,
            register(derived="P.A", name="B", addressOffset=8),
            register(copied, name="C", addressOffset=12),
        ),
    )
    cells = by_name(facts)
    assert cells["Q.A"].address == 0x200
    assert cells["Q.A"].fields == cells["P.A"].fields
    assert (cells["R.B"].address, cells["R.B"].access) == (0x308, "read-only")
    assert (cells["R.C"].fields[0].low, cells["R.C"].fields[0].width) == (0, 4)


def test_core_and_interrupts() -> None:
    cpu = element("cpu", *leaves(name="CM23", mpuPresent="1", vtorPresent="false"))
    facts = read(
        element("peripheral", *leaves(name="P", baseAddress=0), element("interrupt", *leaves(name="I", value=41))),
        head=(cpu,),
    )
    assert facts.architecture is not None
    assert facts.architecture.value is Architecture.ARMV8_M
    assert facts.interrupts is not None
    assert facts.interrupts.value == 42
    assert facts.protection_unit is not None
    assert facts.protection_unit.value
    assert facts.vector_table_relocatable is not None
    assert not facts.vector_table_relocatable.value
    stated = element("cpu", *leaves(name="CM23", deviceNumInterrupts=60))
    said = read(head=(stated,)).interrupts
    assert said is not None
    assert said.value == 60


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (peripheral("P", 0, register(name="R")), "without <addressOffset>"),
        (peripheral("P", 0, register(name="R", addressOffset="x")), "addressOffset is 'x'"),
        (peripheral("P", 0, register(name="R", addressOffset=0, size=12)), "register of 12 bits"),
        (peripheral("P", 0xFFFF_FFFF, register(name="R", addressOffset=0)), "below 4 GiB"),
        (peripheral("P", 0, register(derived="No", name="R", addressOffset=0)), "not there"),
        (peripheral("P", 0, derived="P"), "leads back"),
        (
            peripheral(
                "P",
                0,
                register(
                    element("fields", element("field", *leaves(name="F", lsb=9, msb=4))), name="R", addressOffset=0
                ),
            ),
            "bits 9",
        ),
        (
            peripheral(
                "P",
                0,
                register(
                    element("fields", element("field", *leaves(name="F", bitRange="7:4"))), name="R", addressOffset=0
                ),
            ),
            "bit range",
        ),
        (peripheral("P", 0, register(name="R%s", addressOffset=0, dim=2, dimIncrement=4, dimIndex="A")), "1 indices"),
        (peripheral("P", 0, register(name="R%s", addressOffset=0, dim=10**9, dimIncrement=4)), "array of"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_line(made: ET.Element, said: str) -> None:
    with pytest.raises(DescriptionError, match=said) as error:
        read(made)
    assert error.value.where.startswith("q.svd:")
    assert error.value.next_step


def test_a_small_file_cannot_cost_hours() -> None:
    inner = register(name="R%s", addressOffset=0, dim=60000, dimIncrement=4)
    for level in range(8):
        inner = element("cluster", *leaves(name=f"C{level}%s", addressOffset=0, dim=60000, dimIncrement=4), inner)
    with pytest.raises(DescriptionError, match=r"multiply|more than"):
        read(peripheral("P", 0, inner))
    loop = element(
        "cluster", *leaves(name="C", addressOffset=0), element("cluster", *leaves(name="D", addressOffset=0))
    )
    loop[-1].set("derivedFrom", "P.C")
    with pytest.raises(DescriptionError, match=r"within each other|leads back"):
        read(peripheral("P", 0, loop))
