"""Make the images that the bench boot stage is tried with: authentic ones, and ones that it must refuse.

    python images.py [FOLDER]       default: images/ beside this file

Also writes firmware/demo_key.c. The signing key comes out of a public sentence, so anybody can sign with it:
it protects nothing, and must never get near a product.
"""

from __future__ import annotations

import hashlib
import struct
import sys
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

HERE = Path(__file__).resolve().parent

MAGIC = 0x4232_4C52
HEADER_SIZE, SIGNED_SIZE = 128, 64
SECTOR_SIZE, SLOT_SIZE, RECOVERY_SIZE = 0x1000, 0x2000, 0x1000
JOURNAL, REQUESTS, FLOOR, LIFT, RECOVERY, RUN, STAGE = 0x4000, 0x6000, 0x8000, 0xA000, 0xB000, 0xC000, 0xE000
BASE = {"arm": 0x0000_0000, "rv32": 0x8000_0000}
RAM = {"arm": 0x2000_0000, "rv32": 0x8010_0000}
RAM_SIZE = 0x8000
RECORDS_PER_SECTOR = 8

SENTENCE = b"RL-2 bench boot, demo key: it protects nothing"
# Order of the P-256 group (NIST SP 800-186, section 3.2.1.3).
ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551

KIND_WORDS = {
    name: int.from_bytes(letters, "little")
    for name, letters in {
        "kept": b"KEPT",
        "copying": b"COPY",
        "moving": b"MOVE",
        "trial": b"TRIL",
        "nothing": b"NONE",
        "install": b"INST",
        "good run": b"GOOD",
        "least": b"LEAS",
    }.items()
}


def demo_scalar(sentence: bytes = SENTENCE) -> int:
    """Return the private scalar that belongs to a sentence."""
    return int.from_bytes(hashlib.sha256(sentence).digest(), "big") % (ORDER - 1) + 1


def public_key(sentence: bytes = SENTENCE) -> bytes:
    """Return the public point of a sentence's key, X then Y, 64 bytes."""
    from cryptography.hazmat.primitives.asymmetric import ec

    numbers = ec.derive_private_key(demo_scalar(sentence), ec.SECP256R1()).public_key().public_numbers()
    return numbers.x.to_bytes(32, "big") + numbers.y.to_bytes(32, "big")


def sign(message: bytes, sentence: bytes = SENTENCE) -> bytes:
    """Return r then s over SHA-256 of the message; deterministic (RFC 6979)."""
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

    key = ec.derive_private_key(demo_scalar(sentence), ec.SECP256R1())
    r, s = decode_dss_signature(key.sign(message, ec.ECDSA(hashes.SHA256(), deterministic_signing=True)))
    return r.to_bytes(32, "big") + s.to_bytes(32, "big")


@dataclass(frozen=True)
class Header:
    """The words of a header as firmware/image.h lays them out."""

    version: int
    length: int
    link: int
    digest: bytes
    magic: int = MAGIC
    size: int = HEADER_SIZE
    entry: int = HEADER_SIZE
    flags: int = 0
    reserved: int = 0

    def signed_part(self) -> bytes:
        """Return the 64 bytes that the signature covers."""
        words = (self.magic, self.size, self.version, self.length, self.link, self.entry, self.flags, self.reserved)
        return struct.pack("<8I", *words) + self.digest


def payload(part: str, version: int, place: int, *, tail: bool = True) -> bytes:
    """Return a small program for `place`: it loops at its entry. Its tail lies in the slot's second sector."""
    start = BASE[part] + place + HEADER_SIZE
    if part == "arm":  # 16 vectors, then `b .`; every other vector leads to the same loop
        code = start + 64 + 1
        head = struct.pack("<16I", RAM[part] + RAM_SIZE, *[code] * 15) + b"\xfe\xe7\xfe\xe7"
    else:
        head = struct.pack("<2I", 0x0000_006F, 0x0000_006F)  # j .
    text = f"RL-2 bench image {version} for {place:#x} on {part}".encode()
    head += text.ljust(64, b"\0") + hashlib.sha256(text).digest()
    if not tail:
        return head
    return head.ljust(SECTOR_SIZE + 64 - HEADER_SIZE, b"\xff") + hashlib.sha512(text).digest()


def make_image(part: str, version: int, place: int = RUN, *, sentence: bytes = SENTENCE, tail: bool = True) -> bytes:
    """Return an authentic image, linked for `place`."""
    body = payload(part, version, place, tail=tail)
    header = Header(version, len(body), BASE[part] + place, hashlib.sha256(body).digest())
    return header.signed_part() + sign(header.signed_part(), sentence) + body


def flip(data: bytes, at: int, bits: int = 0x01) -> bytes:
    """Return the data with some bits of one byte changed."""
    return data[:at] + bytes([data[at] ^ bits]) + data[at + 1 :]


def with_header(image: bytes, header: Header) -> bytes:
    """Return an image with other header words and the signature that it had."""
    return header.signed_part() + image[SIGNED_SIZE:]


def header_of(image: bytes) -> Header:
    """Return the header of an image."""
    magic, size, version, length, link, entry, flags, reserved = struct.unpack_from("<8I", image)
    return Header(version, length, link, image[32:64], magic, size, entry, flags, reserved)


def hostile_images(part: str) -> dict[str, bytes]:
    """Return images that a sound boot stage refuses, by name; all offer version 3 against an installed 2."""
    good = make_image(part, 3)
    head = header_of(good)
    body = good[HEADER_SIZE:]
    long = good.ljust(SLOT_SIZE, b"\xff")
    # Behind the payload: the address of the staged payload's own loop, where a return address may be hit.
    code = BASE[part] + STAGE + HEADER_SIZE + (64 + 1 if part == "arm" else 0)
    spray = good + struct.pack("<I", code) * ((SLOT_SIZE - len(good)) // 4)
    other = make_image(part, 3, sentence=b"somebody else's key")
    changed = flip(body, 80)
    return {
        "payload-changed": flip(good, HEADER_SIZE + 80),
        "first-byte-of-payload-changed": flip(good, HEADER_SIZE),
        "last-byte-changed": flip(good, len(good) - 1),
        "digest-changed": flip(good, 40),
        "payload-and-digest-changed": with_header(
            good[:HEADER_SIZE] + changed, replace(head, digest=hashlib.sha256(changed).digest())
        ),
        "signature-changed": flip(good, 64),
        "signature-zero": good[:64] + bytes(64) + body,
        "other-key": other,
        "version-raised": with_header(good, replace(head, version=9)),
        "truncated-in-payload": good[: len(good) - 32],
        "truncated-in-header": good[:96],
        "empty": b"",
        "magic-changed": flip(good, 0),
        "header-size-changed": with_header(good, replace(head, size=HEADER_SIZE + 4)),
        "length-zero": with_header(good, replace(head, length=0)),
        "length-odd": with_header(good, replace(head, length=head.length - 1)),
        "length-longer": with_header(long, replace(head, length=SLOT_SIZE - HEADER_SIZE)),
        "length-behind-slot": with_header(spray, replace(head, length=SLOT_SIZE - HEADER_SIZE + 4)),
        "length-near-end-of-slot": with_header(spray, replace(head, length=SLOT_SIZE - HEADER_SIZE)),
        "length-wraps": with_header(good, replace(head, length=0xFFFF_FFE0)),
        "link-for-recovery": make_image(part, 3, RECOVERY, tail=False),
        "entry-in-header": with_header(good, replace(head, entry=64)),
        "entry-behind-payload": with_header(good, replace(head, entry=HEADER_SIZE + head.length)),
        "flag-set": with_header(good, replace(head, flags=1)),
        "reserved-set": with_header(good, replace(head, reserved=1)),
        "older": make_image(part, 1),
    }


def record(kind: str, value: int, sequence: int) -> bytes:
    """Return one record as firmware/log.h lays it out."""
    body = struct.pack("<3I", KIND_WORDS[kind], value, sequence)
    return body + struct.pack("<I", zlib.crc32(body))


def newest(flash: bytes, log: int) -> tuple[int, int]:
    """Return sequence number and offset of a log's newest sound record, in flash from its base; (0, -1) for none."""
    found = (0, -1)
    for sector in (0, SECTOR_SIZE):
        for at in range(log + sector, log + sector + 16 * RECORDS_PER_SECTOR, 16):
            _, _, sequence, check = struct.unpack_from("<4I", flash, at)
            if check == zlib.crc32(flash[at : at + 12]):
                found = max(found, (sequence, at))
    return found


def appended(flash: bytes, log: int, kind: str, value: int = 0) -> list[tuple[bool, int, bytes]]:
    """Return what the application does to append a record: (whether a sector is erased, offset, bytes written)."""
    sequence, at = newest(flash, log)
    at += 16
    while at % SECTOR_SIZE < 16 * RECORDS_PER_SECTOR and at >= log and flash[at : at + 16] != b"\xff" * 16:
        at += 16
    steps: list[tuple[bool, int, bytes]] = []
    if sequence == 0 or at % SECTOR_SIZE >= 16 * RECORDS_PER_SECTOR:
        at = log if sequence == 0 else log + (SECTOR_SIZE - (at - log) // SECTOR_SIZE * SECTOR_SIZE)
        steps.append((True, at, b""))
    data = record(kind, value, sequence + 1)
    return [*steps, (False, at, data[:8]), (False, at + 8, data[8:])]


def factory(
    part: str, *, version: int = 2, staged: bytes = b"", request: bool = False, sequence: int = 1, recovery: bool = True
) -> bytes:
    """Return the flash from the journal on, as a device leaves the factory: 0x4000 to 0x10000.

    Args:
        part: "arm" or "rv32".
        version: The installed version; the floor is the same.
        staged: What lies in the staging area.
        request: Whether its installation is asked for.
        sequence: Number of each log's newest record; a high one brings a log near the end of its sector.
        recovery: Whether there is a recovery image; without one a lost run slot is a dead device.
    """
    flash = bytearray(b"\xff" * 0x1_0000)

    def put(at: int, data: bytes) -> None:
        flash[at : at + len(data)] = data

    place = 16 * ((sequence - 1) % RECORDS_PER_SECTOR)
    put(JOURNAL + place, record("kept", 0, sequence))
    put(REQUESTS + place, record("install" if request else "nothing", 0, sequence))
    put(FLOOR + place, record("least", version, sequence))
    if recovery:
        put(RECOVERY, make_image(part, 1, RECOVERY, tail=False))
    put(RUN, make_image(part, version))
    put(STAGE, staged)
    return bytes(flash[JOURNAL:])


def put_image(flash: bytes, at: int, image: bytes) -> bytes:
    """Return flash from the journal on with another image at an offset."""
    return flash[: at - JOURNAL] + image + flash[at - JOURNAL + len(image) :]


def hex_text(base: int, data: bytes) -> bytes:
    """Return Intel HEX of flash from an address on; rows of 16 blank bytes are left out."""

    def line(kind: int, at: int, body: bytes) -> str:
        raw = bytes([len(body)]) + (at & 0xFFFF).to_bytes(2, "big") + bytes([kind]) + body
        return f":{raw.hex().upper()}{-sum(raw) & 0xFF:02X}"

    lines, upper = [], -1
    for at in range(0, len(data), 16):
        body, address = data[at : at + 16], base + at
        if body == b"\xff" * 16:
            continue
        if address >> 16 != upper:
            upper = address >> 16
            lines.append(line(4, 0, upper.to_bytes(2, "big")))
        lines.append(line(0, address, body))
    return "\n".join([*lines, line(1, 0, b""), ""]).encode()


def key_source() -> str:
    """Return the C file with the public key."""
    rows = [", ".join(f"0x{byte:02x}" for byte in public_key()[at : at + 16]) for at in range(0, 64, 16)]
    return (
        "/* Made by images.py. A demo key whose private half is public too: it protects nothing. */\n"
        '#include "image.h"\n\n'
        "const uint8_t public_key[64] = {\n" + "".join(f"    {row},\n" for row in rows) + "};\n"
    )


def files() -> dict[str, bytes]:
    """Return every file of images/ by its name."""
    found: dict[str, bytes] = {}
    for part in BASE:
        for version in (1, 2, 3):
            found[f"{part}-version-{version}.bin"] = make_image(part, version)
            found[f"{part}-version-{version}-code.bin"] = payload(part, version, RUN)
        found[f"{part}-recovery.bin"] = make_image(part, 1, RECOVERY, tail=False)
        start = BASE[part] + JOURNAL
        found[f"{part}-factory.hex"] = hex_text(start, factory(part))
        found[f"{part}-update-asked.hex"] = hex_text(start, factory(part, staged=make_image(part, 3), request=True))
        hostile = hostile_images(part)
        for name, image in (("long", "length-near-end-of-slot"), ("wrap", "length-wraps")):
            asked = factory(part, staged=hostile[image], request=True)
            found[f"{part}-{name}-asked.hex"] = hex_text(start, asked)
        older = factory(part, staged=make_image(part, 1), request=True)
        found[f"{part}-older-asked.hex"] = hex_text(start, older)
        found[f"{part}-older-installed.hex"] = hex_text(start, put_image(factory(part), RUN, make_image(part, 1)))
    for name, data in hostile_images("arm").items():
        if name not in ("empty", "older"):
            found[f"arm-hostile-{name}.bin"] = data
    return found


def main(target: Path) -> None:
    """Write the images and the key's C file."""
    target.mkdir(parents=True, exist_ok=True)
    for name, data in files().items():
        (target / name).write_bytes(data)
    (HERE / "firmware" / "demo_key.c").write_text(key_source())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "images")
