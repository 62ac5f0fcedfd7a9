"""Functions of the boot program that the bench does in its place: computed for real, and counted as assumed sites."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from functools import lru_cache
from typing import Protocol

from rootwright.bench.emulator import Emulator
from rootwright.bench.flash import TORN, FlashContent
from rootwright.describe.bench import Deed, Hook

LONGEST = 1 << 24
"""A hook given a faulted length must not cost minutes."""

_DIGESTS = {"SHA-256": "sha256", "SHA-384": "sha384", "SHA-512": "sha512"}


class Around(Protocol):
    """The device around a hook."""

    emulator: Emulator
    index: int
    is_arm: bool
    on_call: Callable[[HookCalls], bool] | None

    def find_flash(self, address: int) -> FlashContent | None:
        """The memory that keeps its content at an address."""

    def read_bytes(self, address: int, size: int) -> bytes | None:
        """Bytes as the core would read them; None where one of them faults."""

    def write_ram(self, address: int, data: bytes) -> bool:
        """Write RAM; False outside."""

    def canonical(self, address: int) -> int:
        """Where a bus address leads, counted from its memory's base."""

    def fault_at(self, address: int) -> None:
        """End the function with a bus fault."""

    def find_fenced(self, address: int, size: int, *, write: bool) -> int | None:
        """The first address that the protection unit keeps from the core; None where all may be accessed."""

    def fault_at_fence(self, address: int, *, write: bool) -> None:
        """End the function with the protection unit's fault."""

    def run_image(self, address: int) -> None:
        """The function hands over to the image at an address."""

    def position(self) -> tuple[int, int]:
        """The instruction at work, and how many ran before it."""

    def feed_watchdog(self) -> None:
        """The watchdog was fed."""

    def ask_reset(self) -> None:
        """A software reset was asked for."""

    def require_readable(self) -> None:
        """Flash changed so that reads may fault now."""


class HookCalls:
    """One hooked function, with how often it was called and how often it returned success."""

    def __init__(self, hook: Hook, address: int, around: Around) -> None:
        self.hook, self.address, self.around = hook, address, around
        self._deed = _DEEDS[hook.deed]
        self._return, self._fail = hook.value, hook.failed
        self.calls = 0
        self.successes = 0
        self._drawn = 0
        self._arguments: list[int] = []
        self._back = 0

    def reset(self) -> None:
        """Forget what random numbers were drawn."""
        self._drawn = 0

    def __call__(self, _: int) -> bool:
        """Do what the function does and return from it; False where the core is in a state in which nothing runs."""
        around = self.around
        e = around.emulator
        self._arguments = values = e.arguments()
        if not e.entered_in_thumb:
            return False
        self.calls += 1
        self._back = values.pop()
        if around.on_call is not None and around.on_call(self):
            return True  # The core was stopped here.
        done = self._deed(self)
        if done is None:
            return True
        self.successes += done
        e.leave(self._return if done else self._fail, self._back)
        return True

    def target(self) -> int:
        """Return the flash address that the present call is about."""
        return self._argument(self.hook.target)

    def arguments_on_stack(self) -> bool:
        """Return whether some argument does not come in a register."""
        hook = self.hook
        most = max(hook.target, hook.source, hook.length, hook.into, hook.signature, hook.key)
        return most >= (4 if self.around.is_arm else 8)

    def _argument(self, number: int) -> int:
        if number < len(self._arguments):
            return self._arguments[number]
        return self.around.emulator.stacked_argument(number)

    def _caller(self) -> tuple[int, int]:
        """Return the calling instruction, which says more than the hooked function does, and how many ran before."""
        return (self._back & ~1) - 2, self.around.index

    def _size(self) -> int:
        hook = self.hook
        return self._argument(hook.length) if hook.length >= 0 else hook.size

    def _read(self, number: int, size: int) -> bytes | None:
        address = self._argument(number)
        data = self.around.read_bytes(address, size) if 0 <= size <= LONGEST else None
        if data is None:
            self.around.fault_at(address)
            return None
        return data if self._may(address, size, write=False) else None

    def _may(self, address: int, size: int, *, write: bool) -> bool:
        """Return whether the protection unit lets the function do this; if not, it faults there."""
        fenced = self.around.find_fenced(address, size, write=write)
        if fenced is not None:
            self.around.fault_at_fence(fenced, write=write)
        return fenced is None

    def _erase(self) -> bool | None:
        target = self._argument(self.hook.target)
        size = self._size() if self.hook.length >= 0 or self.hook.size else 1
        flash = self.around.find_flash(target)
        target = self.around.canonical(target)
        if flash is None or not flash.holds(target, max(1, size)):
            return False
        pc, index = self._caller()
        end, done = target + max(1, size), True
        while target < end and done:
            done = flash.erase(target, pc=pc, index=index)
            target = flash.sector(target)[1]
        self.around.require_readable()
        return done

    def _program(self) -> bool | None:
        target, size = self._argument(self.hook.target), self._size()
        data = self._read(self.hook.source, size)
        if data is None:
            return None
        around = self.around
        flash = around.find_flash(target)
        target = around.canonical(target)
        pc, index = (self._back & ~1) - 2, around.index
        if flash is not None and size == flash.unit:
            done = flash.program(target, data, pc=pc, index=index)
            if done and flash.units[(target - flash.base) // size] == TORN:
                around.require_readable()
            return done
        done = flash is not None
        at = 0
        while flash is not None and done and at < size:
            # One operation for each unit, or page where there are pages: a cut can fall between any two.
            page = flash.memory.page
            count = page - (target + at - flash.base) % page if page else flash.unit
            done = flash.program(target + at, data[at : at + count], pc=pc, index=index)
            at += count
        self.around.require_readable()
        return done

    def _copy(self) -> bool | None:
        size, source = self._size(), self._argument(self.hook.target)
        data = self.around.read_bytes(source, size) if 0 <= size <= LONGEST else None
        if data is not None and not self._may(source, size, write=False):
            return None
        return data is not None and self._give(data)

    def _give(self, data: bytes) -> bool | None:
        into = self._argument(self.hook.into)
        if not self._may(into, len(data), write=True):
            return None
        if self.around.write_ram(into, data):
            return True
        self.around.fault_at(into)
        return None

    def _digest(self) -> bool | None:
        size, source = self._size(), self._argument(self.hook.source)
        data = self.around.read_bytes(source, size) if 0 <= size <= LONGEST else None
        if data is None:
            return False
        if not self._may(source, size, write=False):
            return None
        return self._give(hashlib.new(_DIGESTS[self.hook.algorithm], data).digest())

    def _verify(self) -> bool | None:
        ed25519 = self.hook.algorithm == "Ed25519"
        message = self._read(self.hook.source, self._size() or 32)
        key = None if message is None else self._read(self.hook.key, 32 if ed25519 else 64)
        signature = None if key is None else self._read(self.hook.signature, 64)
        if message is None or key is None or signature is None:
            return None
        return _verified(self.hook.algorithm, message, key, signature)

    def _random(self) -> bool | None:
        self._drawn += 1
        # The same numbers in every run, so that runs can be compared; nothing secret depends on them.
        dice = random.Random(self._drawn)  # noqa: S311
        if self.hook.into >= 0:
            return self._give(dice.randbytes(min(self._size(), LONGEST)))
        self.successes += 1
        self.around.emulator.leave(dice.getrandbits(32), self._back)
        return None

    def _watchdog(self) -> bool | None:
        self.around.feed_watchdog()
        return True

    def _reset(self) -> bool | None:
        self.around.ask_reset()
        return None

    def _run(self) -> bool | None:
        self.around.run_image(self._argument(self.hook.target))
        return None

    def _nothing(self) -> bool | None:
        return True


@lru_cache(maxsize=1024)  # a campaign asks the same few questions in every run
def _verified(algorithm: str, message: bytes, key: bytes, signature: bytes) -> bool:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519, utils
    from cryptography.hazmat.primitives.hashes import SHA256

    try:
        if algorithm == "Ed25519":
            ed25519.Ed25519PublicKey.from_public_bytes(key).verify(signature, message)
            return True
        public = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + key)
        r, s = int.from_bytes(signature[:32]), int.from_bytes(signature[32:])
        public.verify(utils.encode_dss_signature(r, s), message, ec.ECDSA(utils.Prehashed(SHA256())))
    except (InvalidSignature, ValueError):
        return False
    return True


_DEEDS = {
    Deed.ERASE: HookCalls._erase,
    Deed.PROGRAM: HookCalls._program,
    Deed.READ: HookCalls._copy,
    Deed.DIGEST: HookCalls._digest,
    Deed.VERIFY: HookCalls._verify,
    Deed.RANDOM: HookCalls._random,
    Deed.WATCHDOG: HookCalls._watchdog,
    Deed.RESET: HookCalls._reset,
    Deed.RUN: HookCalls._run,
    Deed.NOTHING: HookCalls._nothing,
}
