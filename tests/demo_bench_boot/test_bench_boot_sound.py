"""The sound builds of the bench boot stage, tried on this computer apart from the bench."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import pytest
from bench_boot_host import (
    CUT,
    LEAVE_MIX,
    LEAVE_NEW,
    LEAVE_OLD,
    LEAVE_PROGRAMMED,
    LEAVE_TORN,
    STARTED,
    Device,
    images,
    is_signed,
)

Make = Callable[[str], Device]
LEAVES = (LEAVE_OLD, LEAVE_NEW, LEAVE_TORN, LEAVE_PROGRAMMED, LEAVE_MIX)
COPY = ("arm-copy-plain.elf", "arm-copy-hardened.elf")
EXCHANGE = ("arm-exchange-plain.elf", "arm-exchange-hardened.elf")
SOUND = COPY + EXCHANGE

pytestmark = pytest.mark.slow


def update(**options: object) -> bytes:
    return bytes(images.factory("arm", staged=images.make_image("arm", 3), request=True, **options))


@pytest.mark.parametrize("file", SOUND)
def test_factory_device_runs_and_closes_debug(device: Make, file: str) -> None:
    subject = device(file)
    subject.load(images.factory("arm"))
    for _ in range(40):  # far enough for every log to change its sector twice
        assert subject.boot() == "version 2"
        assert subject.number("debug_locked") == 1


@pytest.mark.parametrize("file", SOUND)
def test_update_is_installed_kept_and_raises_the_floor(device: Make, file: str) -> None:
    subject = device(file)
    subject.load(update())
    assert subject.boot() == "version 3"
    if file in EXCHANGE:
        subject.append(images.REQUESTS, "good run")
        assert subject.boot() == "version 3"
    assert subject.boot() == "version 3"
    for version in (1, 2):
        subject.stage(images.make_image("arm", version))
        assert subject.boot() == "version 3"
        assert subject.boot() == "version 3"


@pytest.mark.parametrize("file", EXCHANGE)
def test_image_that_does_not_report_goes_back(device: Make, file: str) -> None:
    subject = device(file)
    subject.load(update())
    assert [subject.boot() for _ in range(3)] == ["version 3", "version 2", "version 2"]
    subject.stage(images.make_image("arm", 3))
    assert [subject.boot() for _ in range(2)] == ["version 3", "version 2"]


@pytest.mark.parametrize("file", SOUND)
@pytest.mark.parametrize("name", sorted(images.hostile_images("arm")))
def test_hostile_image_is_refused(device: Make, file: str, name: str) -> None:
    subject = device(file)
    subject.load(images.factory("arm"))
    subject.stage(images.hostile_images("arm")[name])
    assert subject.boot() == "version 2"
    assert subject.number("debug_locked") == 1
    assert subject.boot() == "version 2"


@pytest.mark.parametrize("file", SOUND)
@pytest.mark.parametrize("name", sorted(images.hostile_images("arm")))
def test_hostile_image_in_the_run_slot_is_not_started(device: Make, file: str, name: str) -> None:
    subject = device(file)
    subject.load(images.factory("arm"))
    subject.put(images.RUN, images.hostile_images("arm")[name].ljust(images.SLOT_SIZE, b"\xff"))
    assert subject.boot() == "recovery"
    assert subject.number("debug_locked") == 1


@pytest.mark.parametrize("file", SOUND)
def test_device_without_any_image_stops(device: Make, file: str) -> None:
    subject = device(file)
    subject.load(b"\xff" * 0xC000)
    assert subject.boot() == "dead"


def test_recovery_may_fetch_a_new_image(device: Make) -> None:
    for file in SOUND:
        subject = device(file)
        subject.load(images.factory("arm"))
        subject.put(images.RUN, bytes(64))
        assert subject.boot() == "recovery"
        subject.stage(images.make_image("arm", 2))
        assert subject.boot() == "version 2"


def run_with_cut(subject: Device, state: bytes, cut: int, leaves: int) -> bool:
    """Power up from a state with a cut; say whether the cut was reached."""
    subject.restore(state)
    ended = subject.power_up(cut, leaves)
    assert ended in (CUT, STARTED)
    return ended == CUT


def settle(subject: Device, *, trial: bool) -> None:
    """After any cuts: the next uncut power-ups reach the old or the new image whole, in the end the right one."""
    first = subject.boot()
    if not trial:
        assert first == "version 3"
    assert first in ("version 2", "version 3")
    assert subject.number("debug_locked") == 1
    assert subject.boot() in ("version 2", "version 3")
    last = subject.boot()
    assert last == subject.boot()
    assert last in ("version 2", "version 3")


@pytest.mark.parametrize("sequence", [1, 5])
@pytest.mark.parametrize("file", SOUND)
def test_installation_survives_any_one_cut(device: Make, file: str, sequence: int) -> None:
    subject = device(file)
    subject.load(update(sequence=sequence))
    start = subject.save()
    for leaves in LEAVES:
        cut = 0
        while run_with_cut(subject, start, cut, leaves):
            settle(subject, trial=file in EXCHANGE)
            cut += 1
        assert cut > 50


@pytest.mark.parametrize("sequence", [1, 5])
@pytest.mark.parametrize("file", SOUND)
def test_installation_survives_two_cuts(device: Make, file: str, sequence: int) -> None:
    """A sample of first cuts, each with a sample of second cuts behind it; the samples shift from one to the next."""
    subject = device(file)
    subject.load(update(sequence=sequence))
    start, stride = subject.save(), 7 if file in COPY else 29
    for number, leaves in enumerate(LEAVES):
        first = number
        while run_with_cut(subject, start, first, leaves):
            between, second = subject.save(), first % stride
            while run_with_cut(subject, between, second, (first + second) % len(LEAVES)):
                settle(subject, trial=file in EXCHANGE)
                second += stride
            first += stride


@pytest.mark.parametrize("file", EXCHANGE)
@pytest.mark.parametrize("good", [False, True])
def test_end_of_a_trial_survives_any_cut(device: Make, file: str, good: bool) -> None:
    """A good report keeps the new image, none brings the old one back, whenever the power fails."""
    subject = device(file)
    subject.load(update())
    assert subject.boot() == "version 3"
    if good:
        subject.append(images.REQUESTS, "good run")
    start, wanted = subject.save(), "version 3" if good else "version 2"
    for leaves in LEAVES:
        cut = 0
        while run_with_cut(subject, start, cut, leaves):
            assert subject.boot() == wanted
            assert subject.boot() == wanted
            cut += 1


@pytest.mark.parametrize("file", SOUND)
def test_floor_survives_any_cut_with_an_older_image_on_offer(device: Make, file: str) -> None:
    subject = device(file)
    for sequence in range(1, 17):
        subject.load(images.factory("arm", staged=images.make_image("arm", 1), request=True, sequence=sequence))
        start = subject.save()
        for leaves in LEAVES:
            cut = 0
            while run_with_cut(subject, start, cut, leaves):
                assert [subject.boot() for _ in range(2)] == ["version 2"] * 2
                cut += 1


def test_sha256_of_flash(device: Make) -> None:
    """FIPS 180-4: NIST's example messages "abc" and the 448-bit one; every length against the standard library."""
    import ctypes

    logic = device(SOUND[0]).logic

    def sha256(data: bytes) -> str:
        digest = ctypes.create_string_buffer(32)
        logic.sha256_of(data, ctypes.c_size_t(len(data)), digest)
        return digest.raw.hex()

    assert sha256(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    long = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
    assert sha256(long) == "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    subject = device(SOUND[0])
    subject.load(images.factory("arm"))
    for size in range(0, 0x1100, 4):
        digest = ctypes.create_string_buffer(32)
        assert logic.digest_flash(images.RUN, size, digest) == 0
        assert digest.raw == hashlib.sha256(subject.memory(images.RUN, size)).digest()


def test_record_check_is_the_standard_librarys_crc(device: Make) -> None:
    import ctypes
    import zlib

    logic = device(SOUND[0]).logic
    logic.check_of.restype = ctypes.c_uint32
    for seed in range(100):
        data = hashlib.sha256(bytes([seed])).digest()[:12]
        assert logic.check_of(data) == zlib.crc32(data)


def test_signatures_are_those_of_the_general_library() -> None:
    image = images.make_image("arm", 3)
    digest = hashlib.sha256(image[: images.SIGNED_SIZE]).digest()
    assert is_signed(digest, image[64:128])
    assert not is_signed(digest, images.make_image("arm", 2)[64:128])
    assert not is_signed(digest, images.make_image("arm", 3, sentence=b"somebody else's key")[64:128])
