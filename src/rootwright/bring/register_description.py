"""Registers, interrupts and the core from a System View Description: dim arrays, clusters, derivedFrom.

Source: CMSIS-SVD, "SVD File Schema Levels": device, cpu, peripherals, registers, clusters, fields, the dim element
group, and the properties (size, access, resetValue) that deeper levels inherit.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from rootwright.bring.cores import find_architecture
from rootwright.bring.facts import Cell, CellField, Fact, PartFacts
from rootwright.bring.safe_xml import Element, read_number
from rootwright.errors import DescriptionError

WHAT = "register description (CMSIS-SVD)"
MOST_CELLS = 65_536
MOST_FIELDS = 262_144
MOST_STEPS = 20_000_000
DEEPEST = 16
"""Clusters in clusters, and things derived from derived ones: more than any part's file has."""
_RANGE = re.compile(r"\[(\d{1,2}):(\d{1,2})\]")
_NUMBERS = re.compile(r"(\d{1,5})-(\d{1,5})")


def read_register_description(root: Element, *, name: str) -> PartFacts:
    """Return core, interrupts and all registers of a System View Description.

    Raises:
        DescriptionError: A number, bit range or derivedFrom that cannot be meant; with its line.
    """
    cells = tuple(_Reader(name, root).read())
    source = f"{name}:{root.line}"
    title = _shown(root.text_of("name"))
    cpu = root.find("cpu")
    architecture = relocatable = unit = None
    count = _interrupts(root, name)
    if cpu is not None:
        here = f"{name}:{cpu.line}"
        found = find_architecture(cpu.text_of("name"))
        architecture = Fact(found, here) if found else None
        relocatable = _flag(cpu, "vtorPresent", name)
        unit = _flag(cpu, "mpuPresent", name)
        stated = cpu.find("deviceNumInterrupts")
        if stated is not None:
            where = f"{name}:{stated.line}"
            count = Fact(read_number(stated.text, where=where, what="deviceNumInterrupts"), where)
    return PartFacts(
        name,
        WHAT,
        name=Fact(title, source) if title else None,
        architecture=architecture,
        interrupts=count if count is not None and count.value <= 1024 else None,
        vector_table_relocatable=relocatable,
        protection_unit=unit,
        cells=cells,
    )


def _flag(cpu: Element, tag: str, name: str) -> Fact[bool] | None:
    found = cpu.find(tag)
    if found is None or found.text.lower() not in ("0", "1", "true", "false"):
        return None
    return Fact(found.text.lower() in ("1", "true"), f"{name}:{found.line}")


def _interrupts(root: Element, name: str) -> Fact[int] | None:
    """Return the number of interrupts that the peripherals name: the highest and one."""
    best: Fact[int] | None = None
    peripherals = root.find("peripherals")
    for peripheral in peripherals.children if peripherals is not None else ():
        for interrupt in peripheral.find_all("interrupt"):
            where = f"{name}:{interrupt.line}"
            value = read_number(interrupt.text_of("value"), where=where, what="interrupt number") + 1
            if best is None or value > best.value:
                best = Fact(value, where)
    return best


@dataclass(frozen=True, slots=True)
class _Properties:
    """What deeper levels inherit: register size in bits, access, value after reset."""

    size: int = 32
    access: str = ""
    reset: int | None = None


class _Reader:
    def __init__(self, name: str, root: Element) -> None:
        self.name = name
        self.root = root
        found = root.find("peripherals")
        self.peripherals = [p for p in found.children if p.tag == "peripheral"] if found is not None else []
        self.cells = 0
        self.fields = 0
        self.steps = 0

    def fail(self, element: Element, found: str, next_step: str = "mend the file") -> DescriptionError:
        return DescriptionError(found, where=f"{self.name}:{element.line}", next_step=next_step)

    def number(self, element: Element, tag: str, default: int | None = None) -> int:
        found = element.find(tag)
        if found is None:
            if default is None:
                raise self.fail(element, f"<{element.tag}> without <{tag}>")
            return default
        return read_number(found.text, where=f"{self.name}:{found.line}", what=tag)

    def spend(self, element: Element, steps: int) -> None:
        """Refuse a small file that would take hours: arrays of arrays, chains of names."""
        self.steps += steps
        if self.steps > MOST_STEPS:
            raise self.fail(element, "arrays or names that multiply beyond any part's registers", "cut the file down")

    def read(self) -> Iterator[Cell]:
        base = self.properties(self.root, _Properties())
        for peripheral in self.peripherals:
            name = _shown(peripheral.text_of("name"))
            address = self.number(peripheral, "baseAddress")
            whole = self.resolve(peripheral, self.peripherals)
            own = base
            for level in reversed(whole):
                own = self.properties(level, own)
            registers = next((level.find("registers") for level in whole if level.find("registers") is not None), None)
            if registers is not None:
                for step, label in self.repeats(peripheral, name):
                    yield from self.block(registers, label, "", address + step, own, 0)

    def block(
        self, element: Element, peripheral: str, prefix: str, address: int, above: _Properties, depth: int
    ) -> Iterator[Cell]:
        """Yield the registers of a peripheral or cluster, arrays and clusters written out."""
        if depth > DEEPEST:
            raise self.fail(element, f"more than {DEEPEST} clusters within each other")
        siblings = [child for child in element.children if child.tag in ("register", "cluster")]
        for child in siblings:
            whole = self.resolve(child, siblings)
            own = above
            for level in reversed(whole):
                own = self.properties(level, own)
            offset = self.number(child, "addressOffset", self.inherited_offset(whole))
            for step, label in self.repeats(child, _shown(child.text_of("name"))):
                at = address + offset + step
                if child.tag == "cluster":
                    inner = next((level for level in whole if level.find("register") or level.find("cluster")), child)
                    yield from self.block(inner, peripheral, f"{prefix}{label}.", at, own, depth + 1)
                else:
                    yield self.cell(child, whole, peripheral, f"{prefix}{label}", at, own)

    def inherited_offset(self, whole: list[Element]) -> int | None:
        return next((self.number(level, "addressOffset") for level in whole if level.find("addressOffset")), None)

    def cell(
        self, child: Element, whole: list[Element], peripheral: str, label: str, at: int, own: _Properties
    ) -> Cell:
        self.cells += 1
        if self.cells > MOST_CELLS:
            raise self.fail(child, f"more than {MOST_CELLS} registers", "cut the file down to the peripherals you need")
        if own.size % 8 or not 8 <= own.size <= 64 or at + own.size // 8 > 1 << 32:
            raise self.fail(child, f"a register of {own.size} bits at 0x{at:x}, 8 to 64 bits below 4 GiB expected")
        fields = next((level.find("fields") for level in whole if level.find("fields") is not None), None)
        about = next((_shown(level.text_of("description")) for level in whole if level.find("description")), "")
        return Cell(
            peripheral=peripheral,
            name=label,
            address=at,
            size=own.size // 8,
            source=f"{self.name}:{child.line}",
            access=own.access,
            reset=own.reset,
            about=about,
            fields=tuple(self.bits(fields, own)) if fields is not None else (),
        )

    def bits(self, fields: Element, own: _Properties) -> Iterator[CellField]:
        siblings = [child for child in fields.children if child.tag == "field"]
        for child in siblings:
            whole = self.resolve(child, siblings)
            low, width = next((found for level in whole if (found := self.bit_range(level))), (None, 0))
            if low is None:
                raise self.fail(child, "a field without a bit range")
            access = next((level.text_of("access") for level in whole if level.find("access")), own.access)
            about = next((_shown(level.text_of("description")) for level in whole if level.find("description")), "")
            values = next((named for level in whole if (named := tuple(self.values(level, width)))), ())
            for step, label in self.repeats(child, _shown(child.text_of("name"))):
                self.fields += 1
                if self.fields > MOST_FIELDS:
                    raise self.fail(child, f"more than {MOST_FIELDS} fields", "cut the file down")
                if width < 1 or low + step + width > own.size:
                    raise self.fail(child, f"bits {low + step} to {low + step + width - 1} of {own.size}")
                yield CellField(label, low + step, width, _shown(access), about, values)

    def values(self, field: Element, width: int) -> Iterator[tuple[int, str]]:
        """Yield the named values of a field, each once; one that stands for several (an x in it) is passed over."""
        seen: set[int] = set()
        for group in field.find_all("enumeratedValues"):
            for one in group.find_all("enumeratedValue"):
                text, name = one.text_of("value"), _shown(one.text_of("name"))
                if not name or not text or "x" in text.lower().removeprefix("0x"):
                    continue
                value = read_number(text, where=f"{self.name}:{one.line}", what="value")
                if value not in seen and value < 1 << width:
                    seen.add(value)
                    yield value, name

    def bit_range(self, element: Element) -> tuple[int, int] | None:
        """Return lowest bit and width in any of the three spellings; None where there is none."""
        if element.find("bitRange") is not None:
            match = _RANGE.fullmatch(element.text_of("bitRange"))
            if not match:
                raise self.fail(element, f"bit range {_shown(element.text_of('bitRange'))!r}, [7:4] expected")
            return int(match[2]), int(match[1]) - int(match[2]) + 1
        if element.find("lsb") is not None:
            low = self.number(element, "lsb")
            return low, self.number(element, "msb") - low + 1
        if element.find("bitOffset") is not None:
            return self.number(element, "bitOffset"), self.number(element, "bitWidth", 1)
        return None

    def properties(self, element: Element, above: _Properties) -> _Properties:
        size = self.number(element, "size", above.size)
        reset = self.number(element, "resetValue") if element.find("resetValue") is not None else above.reset
        return _Properties(size, _shown(element.text_of("access")) or above.access, reset)

    def resolve(self, element: Element, siblings: list[Element]) -> list[Element]:
        """Return an element and those it is derived from, nearest first."""
        chain = [element]
        while "derivedFrom" in chain[-1].attributes:
            path = chain[-1].attributes["derivedFrom"]
            target = self.find(path, chain[-1], siblings)
            if target is None:
                raise self.fail(chain[-1], f"derivedFrom {_shown(path)!r}, which is not there")
            if len(chain) > DEEPEST or any(target is earlier for earlier in chain):
                raise self.fail(chain[-1], f"derivedFrom {_shown(path)!r}, which leads back to itself or too far")
            chain.append(target)
        return chain

    def find(self, path: str, element: Element, siblings: list[Element]) -> Element | None:
        """Return what a name or a dotted path from the peripheral down means."""
        self.spend(element, len(siblings) + len(self.peripherals))
        for sibling in siblings:
            if sibling is not element and sibling.text_of("name") == path:
                return sibling
        here: list[Element] = self.peripherals
        found: Element | None = None
        for part in path.split(".")[:8]:
            self.spend(element, len(here))
            found = next((one for one in here if one.text_of("name") == part), None)
            if found is None:
                return None
            holder = found.find("registers") or found
            fields = found.find("fields")
            here = [*holder.children, *(fields.children if fields is not None else ())]
        return found if found is not None and found.tag == element.tag else None

    def repeats(self, element: Element, label: str) -> list[tuple[int, str]]:
        """Return (offset, name) of each member of an array; one where it is none."""
        if element.find("dim") is None:
            return [(0, label)]
        count = self.number(element, "dim")
        step = self.number(element, "dimIncrement")
        if not 1 <= count <= MOST_CELLS:
            raise self.fail(element, f"an array of {count}, 1 to {MOST_CELLS} expected")
        self.spend(element, 100 * count)
        names = self.indices(element, count)
        bare = label.replace("[%s]", "%s")
        return [
            (index * step, bare.replace("%s", names[index]) if "%s" in bare else f"{bare}{names[index]}")
            for index in range(count)
        ]

    def indices(self, element: Element, count: int) -> list[str]:
        text = element.text_of("dimIndex")
        match = _NUMBERS.fullmatch(text)
        if match:
            names = [str(n) for n in range(int(match[1]), int(match[2]) + 1)]
        elif re.fullmatch(r"[A-Z]-[A-Z]", text):
            names = [chr(n) for n in range(ord(text[0]), ord(text[2]) + 1)]
        elif text:
            names = [_shown(part.strip()) for part in text.split(",")]
        else:
            names = [str(n) for n in range(count)]
        if len(names) != count:
            raise self.fail(element, f"{len(names)} indices for an array of {count}")
        return names


def _shown(text: str) -> str:
    """Return a file's text on one line, printable and cut short."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:120]
