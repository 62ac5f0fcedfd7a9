"""The image format of the PC-2's boot stage: a header of 256 bytes in front of the code. Packs it, and reads it again.

| offset | bytes | field, numbers little-endian |
|---|---|---|
| 0 | 4 | `PC21` |
| 4 | 4 | bytes of the header: 256 |
| 8 | 4 | version: major, minor, then two bytes of patch |
| 12 | 4 | bytes of code |
| 16 | 4 | CRC-32 of the code, for a quick look at every start |
| 20 | 4 | address of the header in the slot that the code is linked for |
| 24 | 16 | name, filled with zeros |
| 40 | 32 | SHA-256 of the code |
| 72 | 64 | Ed25519 signature of bytes 0 to 71 |
| 136 | 120 | FF |

`[boot.format]` in product.toml names `pack` and `read`. Both are told about the image; `about.key` is what that table's
`key` says, here a file beside this one, or `trial:NUMBER` for a key that everyone can compute.
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import load_pem_private_key

from rootwright.release.packing import About

FIELDS = struct.Struct("<4sIBBHIII16s32s")
HEADER_BYTES = 256


def pack(code: bytes, about: About) -> bytes:
    """Return header and code. Ed25519 signs deterministically (RFC 8032), so the same input gives the same bytes."""
    major, minor, patch = (int(part) for part in about.version.split("."))
    digest, name = hashlib.sha256(code).digest(), about.name.encode().ljust(16, b"\0")
    signed = FIELDS.pack(
        b"PC21", HEADER_BYTES, major, minor, patch, len(code), zlib.crc32(code), about.address, name, digest
    )
    return (signed + find_key(about.key).sign(signed)).ljust(HEADER_BYTES, b"\xff") + code


def read(packed: bytes, about: About) -> tuple[str, bytes]:
    """Return version and code, as the boot stage finds them; ValueError is its refusal."""
    if len(packed) < HEADER_BYTES:
        raise ValueError("shorter than a header")
    header, code = packed[:HEADER_BYTES], packed[HEADER_BYTES:]
    magic, size, major, minor, patch, length, crc, address, name, digest = FIELDS.unpack_from(header)
    if magic != b"PC21" or size != HEADER_BYTES:
        raise ValueError("no header of this format")
    try:
        find_key(about.key).public_key().verify(header[FIELDS.size : FIELDS.size + 64], header[: FIELDS.size])
    except InvalidSignature:
        raise ValueError("the header's signature does not hold") from None
    if header[FIELDS.size + 64 :].strip(b"\xff"):
        raise ValueError("something stands behind the header's fields")
    if length != len(code) or crc != zlib.crc32(code) or digest != hashlib.sha256(code).digest():
        raise ValueError("the code is not the one that was signed")
    if address != about.address or name.rstrip(b"\0") != about.name.encode():
        raise ValueError("packed for another slot or as another image")
    return f"{major}.{minor}.{patch}", code


def find_key(reference: str) -> Ed25519PrivateKey:
    """Return the key that a reference means. A product's real key stays in hardware that signs."""
    if reference.startswith("trial:"):
        return Ed25519PrivateKey.from_private_bytes(hashlib.sha256(reference.encode()).digest())
    key = load_pem_private_key((Path(__file__).parent / reference).read_bytes(), None)
    assert isinstance(key, Ed25519PrivateKey)
    return key
