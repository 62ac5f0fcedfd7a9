"""The bench boot stage compiled for this computer, over flash that loses power where a test says."""

from __future__ import annotations

import ctypes
import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

DEMO = Path(__file__).resolve().parents[2] / "demo"
BENCH_BOOT = DEMO / "bench-boot"

STARTED, CUT, PANIC, RUNAWAY, OUTSIDE = 1, 2, 3, 4, 5
LEAVE_OLD, LEAVE_NEW, LEAVE_TORN, LEAVE_PROGRAMMED, LEAVE_MIX = range(5)
NEVER = 0xFFFF_FFFF


def load(name: str) -> ModuleType:
    """Return a program of demo/bench-boot as a module."""
    spec = importlib.util.spec_from_file_location(f"bench_boot_{name}", BENCH_BOOT / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


images = load("images")
build = load("build")
products = load("products")
VARIANTS: dict[str, dict[str, Any]] = {variant["file"]: variant for variant in build.variants()}
Check = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.POINTER(ctypes.c_uint8), ctypes.POINTER(ctypes.c_uint8))


class Device:
    """One device: flash with its torn units and weak sectors, and the boot stage that powers up on it."""

    def __init__(self, logic: ctypes.CDLL) -> None:
        self.logic = logic
        self.authentic: dict[tuple[bytes, bytes], bool] = {}
        self.check = Check(self._check)  # kept: the C side holds a pointer to it
        ctypes.c_void_p.in_dll(logic, "authentic").value = ctypes.cast(self.check, ctypes.c_void_p).value
        self.state = (ctypes.c_uint8 * (0x10000 + 0x2000 + 16)).in_dll(logic, "device")

    def _check(self, digest: Any, signature: Any) -> int:
        """Verify with the general cryptography library, once for each pair."""
        pair = bytes(digest[:32]), bytes(signature[:64])
        if pair not in self.authentic:
            self.authentic[pair] = is_signed(*pair)
        return 0 if self.authentic[pair] else 1

    def load(self, flash: bytes) -> None:
        """Start with a flash image that begins at the journal: units that are not blank are programmed."""
        memory = b"\xff" * images.JOURNAL + flash
        units = bytes(memory[at : at + 8] != b"\xff" * 8 for at in range(0, len(memory), 8))
        self.restore(memory + units + bytes(16))

    def save(self) -> bytes:
        return bytes(self.state)

    def restore(self, state: bytes) -> None:
        ctypes.memmove(self.state, state, len(state))

    def power_up(self, cut: int = NEVER, leaves: int = LEAVE_OLD) -> int:
        """Run until an image starts, the power fails before or in operation `cut`, or the boot stage gives up."""
        for name, value in (("cut_at", cut), ("cut_leaves", leaves), ("seed", 7 * cut + leaves & NEVER)):
            ctypes.c_uint32.in_dll(self.logic, name).value = value
        return int(self.logic.power_up())

    def number(self, name: str) -> int:
        return ctypes.c_uint32.in_dll(self.logic, name).value

    def memory(self, at: int, size: int) -> bytes:
        return bytes(self.state[at : at + size])

    def is_sound(self, at: int, size: int) -> bool:
        """Say whether no unit of a span is torn and no sector weak."""
        units = self.state[0x10000 + at // 8 : 0x10000 + (at + size + 7) // 8]
        weak = self.state[0x12000 + at // 0x1000 : 0x12000 + (at + size + 0xFFF) // 0x1000]
        return 2 not in units and not any(weak)

    def running(self) -> str:
        """Say what the last power-up started: "version N", "recovery", "weak version N", "foreign"."""
        place = self.number("started_at") - images.HEADER_SIZE
        for version in (1, 2, 3):
            image = images.make_image("arm", version)
            if place == images.RUN and self.memory(images.RUN, len(image)) == image:
                return ("" if self.is_sound(images.RUN, len(image)) else "weak ") + f"version {version}"
        recovery = images.make_image("arm", 1, images.RECOVERY, tail=False)
        if place == images.RECOVERY and self.memory(images.RECOVERY, len(recovery)) == recovery:
            return "recovery"
        return "foreign"

    def boot(self) -> str:
        """Power up without a cut; what runs, or how it ended instead."""
        ended = self.power_up()
        return self.running() if ended == STARTED else {PANIC: "dead", RUNAWAY: "endless", OUTSIDE: "outside"}[ended]

    def append(self, log: int, kind: str, value: int = 0) -> None:
        """Append a record as the application half does."""
        for erased, at, data in images.appended(bytes(self.state[:0x10000]), log, kind, value):
            if erased:
                self.put(at, b"\xff" * images.SECTOR_SIZE)
                self.state[0x12000 + at // images.SECTOR_SIZE] = 0
            else:
                self.put(at, data)

    def put(self, at: int, data: bytes) -> None:
        """Put bytes into flash; units that are not blank count as programmed."""
        self.state[at : at + len(data)] = list(data)
        units = [int(data[n : n + 8] != b"\xff" * 8) for n in range(0, len(data), 8)]
        self.state[0x10000 + at // 8 : 0x10000 + at // 8 + len(units)] = units

    def stage(self, image: bytes) -> None:
        """Write a staged image and ask for its installation, as the application half does."""
        self.put(images.STAGE, image.ljust(images.SLOT_SIZE, b"\xff"))
        self.state[0x1200E:0x12010] = [0, 0]
        self.append(images.REQUESTS, "install")


def is_signed(digest: bytes, signature: bytes) -> bool:
    """Say whether an r-then-s signature over a SHA-256 digest verifies under the demo key."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.asymmetric.utils import Prehashed, encode_dss_signature

    r, s = int.from_bytes(signature[:32], "big"), int.from_bytes(signature[32:], "big")
    point = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + images.public_key())
    try:
        point.verify(encode_dss_signature(r, s), digest, ec.ECDSA(Prehashed(hashes.SHA256())))
    except InvalidSignature:
        return False
    return True
