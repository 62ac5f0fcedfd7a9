"""Devicetree sources: grammar of the Devicetree Specification, release 0.4, chapter 6; meaning of chapters 2 and 3."""

from __future__ import annotations

import pytest
from part_files import PART

from rootwright.bring.devicetree import Node, Reference, parse_devicetree
from rootwright.bring.devicetree_facts import read_devicetree
from rootwright.bring.facts import PartFacts
from rootwright.describe.chip import Architecture, MemoryKind, SectorRun
from rootwright.errors import DescriptionError


def tree(text: str) -> Node:
    return parse_devicetree(text.encode(), name="a.dts").root


def facts(text: str) -> PartFacts:
    return read_devicetree(parse_devicetree(text.encode(), name="a.dts"), name="a.dts")


def test_the_demo_part() -> None:
    name = "qd-256.dts"
    found = read_devicetree(parse_devicetree((PART / name).read_bytes(), name=name), name=name)
    assert found.architecture is not None
    assert found.architecture.value is Architecture.ARMV6_M
    flash = next(m for m in found.memories if m.kind and m.kind.value is MemoryKind.FLASH)
    assert (flash.base.value, flash.size.value) == (0x40_0000, 0x4_0000)
    assert flash.runs is not None
    assert flash.runs.value == (SectorRun(128, 2048),)
    assert flash.program_unit is not None
    assert flash.program_unit.value == 8
    assert [(p.name, p.address, p.size, p.read_only) for p in found.partitions] == [
        ("boot", 0x40_0000, 0x4000, True),
        ("pump-settings", 0x43_F000, 0x1000, False),
    ]


def test_values_of_every_kind() -> None:
    # Section 6.3, "Node and property definitions": cells, strings, byte strings, references, lists, /bits/.
    root = tree(
        """/dts-v1/;
        / { empty; text = "a", "b\\"c"; cells = <1 0x10 010 'A'>, <&here>; bytes = [00 ff1F];
            wide = /bits/ 64 <0x100000000>; path = &here;
            l1: mixed = <1>, "x", [aa]; here: child@1 { reg = <1>; }; };"""
    )
    assert root.properties["empty"].values == []
    assert root.texts("text") == ["a", 'b"c']
    assert root.properties["cells"].values == [1, 16, 8, 65, Reference("here")]
    assert root.properties["bytes"].values == [b"\x00\xff\x1f"]
    assert root.cells("wide") == [1 << 32]
    assert root.properties["path"].values == [Reference("here")]
    assert root.properties["mixed"].values == [1, "x", b"\xaa"]
    assert root.children["child@1"].cells("reg") == [1]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("(1 + 2 * 3)", 7),
        ("((1+2)*3)", 9),
        ("(4-2)", 2),
        ("(512 * 1024)", 524288),
        ("(1 << 4 | 3)", 19),
        ("(0xFF & ~0xF)", 0xF0),
        ("(7 % 4 ^ 1)", 2),
        ("(-1)", 0xFFFF_FFFF_FFFF_FFFF),
        ("(64 / 4 - 1)", 15),
        ("(8U)", 8),
    ],
)
def test_arithmetic_is_that_of_c(text: str, value: int) -> None:
    assert tree(f"/ {{ a = <{text}>; }};").cells("a") == [value]


def test_overlays_deletions_and_comments() -> None:
    root = tree(
        """/* first */ / { x: one { a = <1>; b = <2>; gone { }; }; two { }; // second
        };
        # 7 "elsewhere.dtsi"
        &x { a = <3>; /delete-property/ b; /delete-node/ gone; new { }; };
        &{/one/new} { deep; };
        / { y: three { }; };
        /delete-node/ &y;"""
    )
    one = root.children["one"]
    assert one.cells("a") == [3]
    assert "b" not in one.properties
    assert list(one.children) == ["new"]
    assert "deep" in one.children["new"].properties
    assert list(root.children) == ["one", "two"]


def test_addresses_pass_through_the_buses() -> None:
    # Section 2.3.8, "ranges": (child bus address, parent bus address, length).
    found = facts(
        """/ { #address-cells = <2>; #size-cells = <1>;
          bus { #address-cells = <1>; #size-cells = <1>; ranges = <0x0 0x0 0x08000000 0x100000>;
            f: flash@10000 { reg = <0x10000 0x8000>; erase-block-size = <0x400>; write-block-size = <4>; }; };
          off@0 { compatible = "x"; status = "disabled"; reg = <0 0 0x100>; erase-block-size = <4>; };
          ram@20000000 { device_type = "memory"; reg = <0 0x20000000 0x1000 0 0x30000000 0x2000>; }; };"""
    )
    assert [(m.called, m.base.value, m.size.value) for m in found.memories] == [
        ("f", 0x0801_0000, 0x8000),
        ("ram@20000000", 0x2000_0000, 0x1000),
        ("ram@20000000", 0x3000_0000, 0x2000),
    ]


def test_a_flash_on_a_serial_bus_is_named_and_left_to_the_reader() -> None:
    found = facts("/ { #address-cells = <1>; #size-cells = <0>; f@0 { reg = <0>; erase-block-size = <4096>; }; };")
    assert found.memories == ()
    assert "by hand" in found.notes[0].value


def test_includes_are_passed_over_and_said() -> None:
    found = facts("#include <dt-bindings/x.h>\n/ { };")
    assert found.notes[0].source == "a.dts:1"
    assert "was not followed" in found.notes[0].value


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("/ {", 1, "end of the file inside"),
        ("/ { a = <1> }", 1, "';' expected"),
        ("/ { a = <SIZE>; };", 1, "number expected"),
        ("/ { a = <(1 / 0)>; };", 1, "division by zero"),
        ("/ { a = <(1 << 99)>; };", 1, "shift"),
        ("\n&x { };", 2, "no node above"),
        ('/include/ "x.dtsi"', 1, "not followed"),
        ("/ { #if X\n };", 1, "expected"),
        ("/ { a = [0g]; };", 1, "not hexadecimal"),
        ("/ { a = [00", 1, "without its end"),
        ("/ { a = /bits/", 1, "'<' expected"),
        ("/nonsense/;", 1, "not known"),
        ("/ { f { reg = <1>; erase-block-size = <4>; }; };", 1, "reg of 1 cells"),
        ("/ { #address-cells = <9>; f { reg = <1>; erase-block-size = <4>; }; };", 1, "#address-cells of 9"),
        ("/ { f { reg = <0 0 100>; erase-block-size = <64>; }; };", 1, "not whole"),
        ("/ { f { reg = <0 0xFFFFFFFF 100>; erase-block-size = <10>; }; };", 1, "no range"),
        ("/ { a = <" + "(" * 200 + "1" + ")" * 200 + ">; };", 1, "too many brackets"),
        ("/ " + "{ a " * 200, 1, "within each other"),
        ("{", 1, "expected"),
    ],
)
def test_what_cannot_be_read_is_named_with_its_line(text: str, line: int, said: str) -> None:
    with pytest.raises(DescriptionError, match=said) as error:
        facts(text)
    assert error.value.where == f"a.dts:{line}"
    assert error.value.next_step


def test_depth_is_bounded_through_labels_too() -> None:
    text = "/ { l0: n { }; };" + "".join(f"&l{i} {{ a{{ b{{ c{{ l{i + 1}: d {{ }}; }}; }}; }}; }};" for i in range(40))
    with pytest.raises(DescriptionError, match="within each other"):
        facts(text)
