"""The image format of the bench boot stage, as packer and reader: what firmware/image.h lays out.

`[boot.format]` in product.toml names `pack` and `read`. `about.key` is a sentence's name here: all keys of this demo
come out of public sentences, so anybody can sign with them.
"""

from __future__ import annotations

import hashlib
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

from rootwright.release.packing import About


def _load_images() -> ModuleType:
    spec = importlib.util.spec_from_file_location("images_of_the_bench_format", Path(__file__).with_name("images.py"))
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


images = _load_images()

SENTENCES = {
    "release": b"RL-2 bench boot, release key of the demo: it protects nothing either",
    "trial": images.SENTENCE,  # the one that the boot programs of this folder trust
    "stranger": b"somebody else's key",
}


def pack(code: bytes, about: About) -> bytes:
    """Return header, signature and code; the version's first number is the one that the boot stage compares."""
    header = images.Header(int(about.version.split(".")[0]), len(code), about.address, hashlib.sha256(code).digest())
    signed: bytes = header.signed_part()
    return signed + images.sign(signed, SENTENCES[about.key]) + code


def read(packed: bytes, about: About) -> tuple[str, bytes]:
    """Return version and code, as the boot stage finds them; ValueError is its refusal."""
    if len(packed) < images.HEADER_SIZE:
        raise ValueError("shorter than a header")
    header = images.header_of(packed)
    signed, signature = packed[: images.SIGNED_SIZE], packed[images.SIGNED_SIZE : images.HEADER_SIZE]
    code = packed[images.HEADER_SIZE :]
    if header != images.Header(header.version, len(code), about.address, hashlib.sha256(code).digest()):
        raise ValueError("a field is not as it should be, or the code is not the one that was signed")
    point = b"\4" + images.public_key(SENTENCES[about.key])
    key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    numbers = int.from_bytes(signature[:32], "big"), int.from_bytes(signature[32:], "big")
    try:
        key.verify(encode_dss_signature(*numbers), signed, ec.ECDSA(hashes.SHA256()))
    except InvalidSignature:
        raise ValueError("the signature does not hold") from None
    return f"{header.version}.0.0", code
