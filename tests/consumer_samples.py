"""A small invented product for the consumer and its trials: two images, 64 KiB of flash, made without any file."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from rootwright.describe.chip import (
    Architecture,
    BlankRead,
    Chip,
    CryptoSpeeds,
    Memory,
    MemoryKind,
    SectorRun,
    Timing,
)
from rootwright.describe.product import (
    Fleet,
    ImageRole,
    ImageSpec,
    KeepArea,
    KeySpec,
    Link,
    PayloadPlace,
    Procedure,
    Product,
    Update,
)
from rootwright.image.model import Image, Segment
from rootwright.layout.demand import BlockRole
from rootwright.layout.map import Map, Region

SECTOR = 1024
BASE = 0x0800_0000


def _filler(name: str, size: int) -> bytes:
    block = b"".join(hashlib.sha256(f"{name} {n}".encode()).digest() for n in range(size // 32 + 1))
    return block[:size]


def _image(name: str, start: int, size: int) -> Image:
    vectors = (0x2000_4000).to_bytes(4, "little") + (start + 0x101).to_bytes(4, "little")
    content = (vectors if name == "application" else b"") + _filler(name, size)
    return Image(f"{name}.elf", "elf", "arm", (Segment(start, content[:size]),))


@dataclass(frozen=True)
class Sample:
    product: Product
    memory_map: Map
    images: dict[str, list[Image]]


def make_sample(
    procedure: Procedure = Procedure.EXCHANGE_FIXED,
    place: PayloadPlace = PayloadPlace.DETACHED,
    *,
    algorithm: str = "ESP256",
    images: int = 2,
    blank_read: BlankRead = BlankRead.VALUE,
    header: int = 0,
    erased: int = 0xFF,
    keep: bool = True,
    architecture: Architecture = Architecture.ARMV7_M,
) -> Sample:
    memory = Memory("flash", MemoryKind.FLASH, BASE, (SectorRun(64, SECTOR),), erased=erased, blank_read=blank_read)
    chip = Chip(
        "GX-64",
        "sample",
        architecture,
        32e6,
        (memory,),
        (),
        CryptoSpeeds(Timing(0.001, 0.001), ()),
        BASE,
        16,
        True,
        1,
        True,
    )
    names = ["application", "radio"][:images]
    roles = {"application": ImageRole.APPLICATION, "radio": ImageRole.RADIO_STACK}
    specs = [ImageSpec("boot", ImageRole.BOOT_STAGE, "1.0")]
    specs += [ImageSpec(name, roles[name], "1.1", header_bytes=header) for name in names]
    product = Product(
        "Sample",
        "S-1",
        "Alderwater",
        "A",
        "alderwater.example",
        "S-1 rev A",
        chip,
        tuple(specs),
        Update(procedure.value, 5, payload=place, uri="coap://updates.example/s-1/"),
        Fleet(10, 1.0, 1.0),
        Link("link", 100.0),
        keys=(KeySpec("release", algorithm, None, True),),  # type: ignore[arg-type]
        keep=(KeepArea("calibration", SECTOR),) if keep else (),
    )
    at = BASE
    regions: list[Region] = []

    def put(block: str, role: BlockRole, sectors: int, image: str | None = None) -> Region:
        nonlocal at
        size = sectors * SECTOR
        own = header if image else 0
        regions.append(Region(block, role, "flash", at, size, (at - BASE) // SECTOR, sectors, size, image, own))
        at += size
        return regions[-1]

    put("boot", BlockRole.BOOT, 4)
    put("floor", BlockRole.FLOOR, 1)
    slots: dict[str, list[Region]] = {}
    sizes = {"application": 6, "radio": 4}
    for name in names:
        slots[name] = [put(f"run:{name}", BlockRole.SLOT, sizes[name], name)]
    if procedure in (Procedure.EITHER_SLOT, Procedure.BANK_FLIP):
        for name in names:
            slots[name].append(put(f"second:{name}", BlockRole.SLOT, sizes[name], name))
    elif procedure not in (Procedure.IN_PLACE, Procedure.RECOVERY_IMAGE):
        for name in names:
            put(f"stage:{name}", BlockRole.STAGING, sizes[name], name)
    put("keep:calibration", BlockRole.KEEP, 1)
    links = 2 if procedure is Procedure.EITHER_SLOT else 1
    files = {
        name: [_image(name, slot.address + header, sizes[name] * SECTOR - header - 300) for slot in slots[name][:links]]
        for name in names
    }
    return Sample(product, Map(chip.name, procedure.value, tuple(regions)), files)
