"""The demo's firmware: rebuilt bit for bit, in its places, and its logic tried on this computer."""

from __future__ import annotations

import ctypes
import hashlib
import importlib.util
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import bincopy
import pytest

from rootwright.image import Image, find_vector_table, read_image, require_inside

FIRMWARE = Path(__file__).resolve().parents[1] / "demo" / "river-gauge" / "firmware"
BUILT = FIRMWARE / "built"

# File: address, region size, RAM address, RAM size, version symbol, version text.
APPLICATION, RADIO = "RL-2 application ", "RL-2 radio "
PLACES = {
    "boot.elf": (0x00000, 0x8000, 0x2000_0000, 0xFFC0, "boot_version", "RL-2 boot 1.0.2"),
    "recovery.elf": (0x10000, 0x4000, 0x2000_0000, 0xFFC0, "recovery_version", "RL-2 recovery 1.0.0"),
}
for _text in ("1.4.0", "1.5.0"):
    for _slot, _at in (("first", 0x18000), ("second", 0x48000)):
        PLACES[f"application-{_text}-{_slot}.elf"] = (
            *(_at, 0x20000, 0x2000_0000, 0xFFC0),
            *("application_version", APPLICATION + _text),
        )
for _text in ("3.1.0", "3.2.0"):
    for _slot, _at in (("first", 0x38000), ("second", 0x68000)):
        PLACES[f"radio-{_text}-{_slot}.elf"] = (
            *(_at, 0x10000, 0x2001_0000, 0x8000),
            *("radio_version", RADIO + _text),
        )

compiled = pytest.mark.skipif(
    importlib.util.find_spec("ziglang") is None, reason="no cross compiler here; `make firmware` installs it"
)


def image_of(name: str) -> Image:
    return read_image((BUILT / name).read_bytes(), name=name)


def test_no_file_is_missing_or_unknown() -> None:
    assert {path.name for path in BUILT.iterdir()} == {*PLACES, "calibration.hex"}


@pytest.mark.parametrize("name", sorted(PLACES))
def test_image_lies_in_its_region_with_vectors_and_version(name: str) -> None:
    address, size, ram_address, ram_size, symbol_name, text = PLACES[name]
    image = image_of(name)
    require_inside(image, address, size)
    assert image.start == address
    assert image.machine == "arm"
    table = find_vector_table(image)
    assert table is not None
    assert (table.address, table.entries) == (address, 80)
    assert address % table.alignment == 0
    assert table.initial_stack == ram_address + ram_size
    assert table.reset == image.entry
    assert table.reset & 1
    assert image.holds(table.reset - 1, 2)
    for span in image.ram:
        assert ram_address <= span.address
        assert span.end <= ram_address + ram_size
    version = image.symbol(symbol_name)
    assert version is not None
    assert image.read(version.address, version.size) == text.encode() + b"\0"


def test_sizes_are_those_of_a_real_product_not_of_fill() -> None:
    for name in PLACES:
        data = image_of(name).flatten()
        longest = max(len(run) for run in re.findall(rb"\0+|\xff+", data))
        assert longest < 2048, name
    assert all(60_000 < image_of(n).size < 100_000 for n in PLACES if n.startswith("application"))
    assert all(30_000 < image_of(n).size < 48_000 for n in PLACES if n.startswith("radio"))


@pytest.mark.parametrize(("old", "new"), [("application-1.4.0", "application-1.5.0"), ("radio-3.1.0", "radio-3.2.0")])
def test_versions_and_slots_differ_in_earnest(old: str, new: str) -> None:
    images = [image_of(f"{stem}-{slot}.elf").flatten() for stem in (old, new) for slot in ("first", "second")]
    assert len({hashlib.sha256(data).digest() for data in images}) == 4
    assert len(images[0]) == len(images[1])
    assert len(images[0]) != len(images[2])


def test_one_version_differs_between_slots_only_where_addresses_stand() -> None:
    """Pointers differ by the distance of the slots; the computed tables do not differ at all."""
    for stem, big in (("application-1.5.0", "rating_table"), ("radio-3.2.0", "airtime_us")):
        first, second = (image_of(f"{stem}-{slot}.elf") for slot in ("first", "second"))
        one, two = first.symbol(big), second.symbol(big)
        assert one is not None
        assert two is not None
        assert two.address - one.address == 0x30000
        assert first.read(one.address, one.size) == second.read(two.address, two.size)
        apart = sum(a != b for a, b in zip(first.flatten(), second.flatten(), strict=True))
        assert 5 < apart < 600


def test_layout_header_says_the_same_addresses() -> None:
    found = dict(re.findall(r"#define (\w+)\s+(0x[0-9A-F]+)u", (FIRMWARE / "common" / "layout.h").read_text()))
    numbers = {name: int(value, 16) for name, value in found.items()}
    assert numbers["APPLICATION_FIRST"] == PLACES["application-1.4.0-first.elf"][0]
    assert numbers["APPLICATION_SECOND"] == PLACES["application-1.4.0-second.elf"][0]
    assert numbers["APPLICATION_SIZE"] == PLACES["application-1.4.0-first.elf"][1]
    assert numbers["RADIO_FIRST"] == PLACES["radio-3.1.0-first.elf"][0]
    assert numbers["RADIO_SECOND"] == PLACES["radio-3.1.0-second.elf"][0]
    assert numbers["RADIO_SIZE"] == PLACES["radio-3.1.0-first.elf"][1]
    assert numbers["RECOVERY_START"] == PLACES["recovery.elf"][0]
    assert numbers["RECOVERY_SIZE"] == PLACES["recovery.elf"][1]
    calibration = bincopy.BinFile(str(BUILT / "calibration.hex"))
    assert calibration.minimum_address == numbers["CALIBRATION_AREA"]
    assert len(calibration) == numbers["CALIBRATION_SIZE"]


def test_nothing_of_the_building_place_is_inside() -> None:
    for path in BUILT.glob("*.elf"):
        assert not re.search(rb"/(home|tmp|root|usr|Users|work)/|site-packages", path.read_bytes()), path.name


def test_functions_that_a_bench_takes_over_are_there() -> None:
    for name in ("boot.elf", "recovery.elf", "application-1.5.0-first.elf"):
        symbol = image_of(name).symbol("flash_program_unit")
        assert symbol is not None
        assert symbol.kind == "function"
    assert image_of("recovery.elf").symbol("flash_erase_sector") is not None


@compiled
@pytest.mark.firmware
@pytest.mark.slow
def test_rebuilt_bit_for_bit(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(FIRMWARE / "build.py"), str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in BUILT.iterdir()}
    for path in BUILT.iterdir():
        assert (tmp_path / path.name).read_bytes() == path.read_bytes(), f"{path.name} differs"


Library = Callable[..., ctypes.CDLL]


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """A function that compiles sources of the firmware for this computer and loads them."""
    folder = tmp_path_factory.mktemp("host")
    sys.path.insert(0, str(FIRMWARE))
    try:
        import tables
    finally:
        sys.path.remove(str(FIRMWARE))

    def load(name: str, sources: list[str], minor: int = 0) -> ctypes.CDLL:
        made = folder / f"{name}-{minor}"
        made.mkdir()
        extra = []
        if name == "application":
            (made / "tables.c").write_text(tables.application_tables(minor))
            extra = [str(made / "tables.c")]
        if name == "radio":
            (made / "tables.c").write_text(tables.radio_tables(minor))
            extra = [str(made / "tables.c")]
        target = made / "logic.so"
        command = [sys.executable, "-m", "ziglang", "cc", "-shared", "-fPIC", "-O1", "-std=c11"]
        command += ["-Wall", "-Wextra", "-Werror", "-fno-sanitize=all"]
        command += [f"-I{FIRMWARE / part}" for part in ("common", name)]
        command += ["-DVERSION_MAJOR=0", f"-DVERSION_MINOR={minor}", "-DVERSION_PATCH=0"]
        command += [str(FIRMWARE / source) for source in sources] + extra + ["-o", str(target)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.fail(done.stderr)
        return ctypes.CDLL(str(target))

    return load


APPLICATION_STEMS = ("battery", "calibration", "level", "rating", "ringlog", "schedule", "sensor", "telemetry")
APPLICATION_SOURCES = ("common/crc.c", "common/divide.c", *(f"application/{s}.c" for s in APPLICATION_STEMS))
RADIO_SOURCES = ("common/crc.c", "radio/coding.c", "radio/duty.c", "radio/frame.c")


@pytest.fixture(scope="module")
def common(library: Library) -> ctypes.CDLL:
    return library("common", [f"common/{stem}.c" for stem in ("crc", "divide", "record", "sha256")])


@pytest.fixture(scope="module")
def old(library: Library) -> ctypes.CDLL:
    return library("application", list(APPLICATION_SOURCES), 4)


@pytest.fixture(scope="module")
def new(library: Library) -> ctypes.CDLL:
    return library("application", list(APPLICATION_SOURCES), 5)


@pytest.fixture(scope="module", params=[1, 2])
def radio(library: Library, request: pytest.FixtureRequest) -> ctypes.CDLL:
    return library("radio", list(RADIO_SOURCES), request.param)


@pytest.fixture(scope="module")
def receiver(library: Library) -> ctypes.CDLL:
    return library("recovery", ["common/crc.c", "recovery/receiver.c"])


logic = [compiled, pytest.mark.firmware, pytest.mark.slow]


class TestCommonLogic:
    pytestmark = logic

    def sha256(self, common: ctypes.CDLL, data: bytes) -> str:
        digest = ctypes.create_string_buffer(32)
        common.sha256_of(data, ctypes.c_size_t(len(data)), digest)
        return digest.raw.hex()

    def test_sha256_of_the_standards_example(self, common: ctypes.CDLL) -> None:
        """FIPS 180-4 examples published by NIST: "abc" (one block) and the 448-bit message (two blocks)."""
        assert self.sha256(common, b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        long = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
        assert self.sha256(common, long) == "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"

    def test_sha256_at_every_length_around_a_block(self, common: ctypes.CDLL) -> None:
        for size in range(200):
            data = bytes(range(size))
            assert self.sha256(common, data) == hashlib.sha256(data).hexdigest()

    def test_crc_check_values(self, common: ctypes.CDLL) -> None:
        """Check values over "123456789" of the public CRC catalogue: CRC-16/IBM-3740 and CRC-32/ISO-HDLC."""
        common.crc16.restype, common.crc32.restype = ctypes.c_uint16, ctypes.c_uint32
        assert common.crc16(0xFFFF, b"123456789", ctypes.c_size_t(9)) == 0x29B1
        assert common.crc32(b"123456789", ctypes.c_size_t(9)) == 0xCBF43926

    def test_division(self, common: ctypes.CDLL) -> None:
        common.divide.restype = ctypes.c_int64
        common.divide.argtypes = [ctypes.c_int64, ctypes.c_int64]
        for above in (0, 1, 7, -7, 10**15, -(10**15) + 1, 2**62):
            for below in (1, 2, 3, -3, 1000, 2**40, 2**62):
                whole, rest = divmod(abs(above), abs(below))
                expected = whole + (2 * rest >= abs(below))
                assert common.divide(above, below) == (expected if (above < 0) == (below < 0) else -expected)
        assert common.divide(1, 0) == 0

    def record(self, common: ctypes.CDLL, sequence: int) -> bytearray:
        made = ctypes.create_string_buffer(72)
        common.record_fill(made, sequence, 0x18000, 500, bytes(32))
        return bytearray(made.raw)

    def newest(self, common: ctypes.CDLL, log: bytes, floor: int = 0, below: int = 0xFFFF_FFFF) -> int | None:
        """The number of the record that boot follows, by its place in the log."""
        common.record_newest.restype = ctypes.c_void_p
        buffer = ctypes.create_string_buffer(log, len(log))
        found = common.record_newest(buffer, len(log) // 72, ctypes.c_uint32(below), ctypes.c_uint32(floor))
        return None if found is None else (found - ctypes.addressof(buffer)) // 72

    def test_newest_record_wins_unless_torn_tried_or_under_the_floor(self, common: ctypes.CDLL) -> None:
        old, new = self.record(common, 4), self.record(common, 5)
        old[64:72] = bytes(8)  # kept
        blank = b"\xff" * 72
        assert self.newest(common, bytes(old + new) + blank) == 1
        assert self.newest(common, bytes(new + old) + blank) == 0
        for at in range(52):  # any byte of the body torn
            torn = bytearray(new)
            torn[at] ^= 0x10
            assert self.newest(common, bytes(old + torn) + blank) == 0
        tried = bytearray(new)
        tried[56:64] = bytes(8)
        assert self.newest(common, bytes(old + tried)) == 0
        tried[64:72] = bytes(8)
        assert self.newest(common, bytes(old + tried)) == 1
        half = bytearray(new)
        half[60] = 0  # a torn mark counts as tried
        assert self.newest(common, bytes(old + half)) == 0
        assert self.newest(common, bytes(old + new), floor=5) == 1
        assert self.newest(common, bytes(old + new), floor=6) is None
        assert self.newest(common, bytes(old + new), below=5) == 0
        assert self.newest(common, blank) is None
        assert self.newest(common, bytes(72)) is None

    def test_floor_takes_only_sound_entries(self, common: ctypes.CDLL) -> None:
        import zlib

        common.floor_read.restype = ctypes.c_uint32

        def entry(value: int) -> bytes:
            pair = value.to_bytes(4, "little") + (value ^ 0xFFFF_FFFF).to_bytes(4, "little")
            return pair + zlib.crc32(pair).to_bytes(4, "little") + b"\xff" * 4

        damaged = bytearray(entry(9))
        damaged[0] ^= 1
        assert common.floor_read(entry(3) + entry(7) + bytes(damaged) + b"\xff" * 16, 4) == 7
        assert common.floor_read(b"\xff" * 32, 2) == 0


class TestApplicationLogic:
    pytestmark = logic

    def test_median(self, old: ctypes.CDLL) -> None:
        values = (ctypes.c_int32 * 5)(9, 1, 7, -3, 1000)
        assert old.median_of(values, 5) == 7
        assert old.median_of(values, 4) == 4

    @pytest.mark.parametrize(("which", "outliers"), [("old", 3), ("new", 4)])
    def test_outliers_up_to_half_the_window_do_not_show(
        self, which: str, outliers: int, request: pytest.FixtureRequest
    ) -> None:
        logic = request.getfixturevalue(which)
        level = ctypes.create_string_buffer(4096)
        logic.level_begin(level)
        for second in range(20):
            assert logic.level_add(level, 1500, 60 * second) == 1500
        for second in range(outliers):
            assert logic.level_add(level, 9000, 1200 + 60 * second) == 1500
        assert logic.level_add(level, 9000, 3000) == 9000

    def test_rate_of_a_straight_rise(self, old: ctypes.CDLL, new: ctypes.CDLL) -> None:
        for logic in (old, new):
            level = ctypes.create_string_buffer(4096)
            logic.level_begin(level)
            for step in range(40):  # 5 mm a minute: 300 mm an hour
                logic.level_add(level, 1000 + 5 * step, 60 * step)
            assert logic.level_rate_mm_per_hour(level) == 300

    def test_alarm_falls_only_below_the_hysteresis(self, old: ctypes.CDLL) -> None:
        level, limits = ctypes.create_string_buffer(4096), (ctypes.c_int32 * 4)(2500, 3600, 60, 10**6)
        old.level_begin(level)
        seen = []
        for second, mm in enumerate([2400] * 8 + [2500] * 8 + [2450] * 8 + [2430] * 8 + [3600] * 8 + [3000] * 8):
            old.level_add(level, mm, 900 * second)
            seen.append(old.level_judge(level, limits))
        assert [seen[at] for at in (7, 15, 23, 31, 39, 47)] == [0, 2, 2, 0, 3, 2]

    def test_frost_check_came_with_1_5(self, old: ctypes.CDLL, new: ctypes.CDLL) -> None:
        assert not hasattr(old, "level_is_frozen")
        level = ctypes.create_string_buffer(4096)
        new.level_begin(level)
        for second in range(9):
            new.level_add(level, 800 + second % 2, 900 * second)
        new.level_is_frozen.restype = ctypes.c_bool
        assert new.level_is_frozen(level, 0, 2)
        assert not new.level_is_frozen(level, 300, 2)
        assert not new.level_is_frozen(level, 0, 0)

    def test_rating_of_a_known_weir(self, old: ctypes.CDLL, new: ctypes.CDLL) -> None:
        """V-notch of 90 degrees at 0.3 m: Q = 8/15 * 0.578 * sqrt(2 g) * h^2.5 = 0.0673 m3/s (ISO 1438's form)."""
        assert old.rating_discharge(0, 300) == round(0.578 * 8 / 15 * (2 * 9.80665) ** 0.5 * 0.3**2.5 * 10_000)
        assert old.rating_discharge(0, -5) == old.rating_discharge(9, 300) == 0
        assert old.rating_discharge(2, 1000) < new.rating_discharge(2, 1000)
        for stage in range(2, 4000, 202):
            found = old.rating_stage(2, old.rating_discharge(2, stage))
            assert abs(found - stage) <= 2

    def test_depth_battery_and_schedule(self, new: ctypes.CDLL) -> None:
        depths = [new.sensor_depth_mm(count, 2000) for count in range(0, 1 << 24, 1 << 18)]
        assert depths == sorted(depths)
        assert abs(new.sensor_depth_mm(1 << 23, 2000) - 5120) < 50
        percents = [new.battery_percent(mv, 2000) for mv in range(4000, 7500, 50)]
        assert percents == sorted(percents)
        assert (percents[0], percents[-1]) == (0, 100)
        assert new.battery_days_left(100, 900, 355, 60, 0) > 2000
        assert new.battery_days_left(100, 900, 172, 50, 100) == 9999
        assert new.schedule_interval_s(3, 5, 0) == 60
        assert new.schedule_interval_s(0, 100, 700) == 900
        assert new.schedule_interval_s(0, 10, 500) == 5400
        assert new.schedule_next(1000, 900) == 1800
        assert new.schedule_next(1800, 900) == 2700

    def test_calibration_of_the_built_file_is_sound(self, old: ctypes.CDLL) -> None:
        old.calibration_is_sound.restype = ctypes.c_bool
        data = bytearray(read_image((BUILT / "calibration.hex").read_bytes(), name="calibration.hex").flatten())
        assert old.calibration_is_sound(bytes(data))
        near = old.calibration_apply(bytes(data), 1000)
        assert 950 < near < 1050
        data[100] ^= 1
        assert not old.calibration_is_sound(bytes(data))

    def test_ring_log_survives_a_reset(self, old: ctypes.CDLL) -> None:
        class Entry(ctypes.Structure):
            _fields_ = (
                ("at_s", ctypes.c_uint32),
                ("discharge", ctypes.c_uint32),
                ("level_mm", ctypes.c_int16),
                ("centidegree", ctypes.c_int16),
                ("battery", ctypes.c_uint8),
                ("alarm", ctypes.c_uint8),
                ("check", ctypes.c_uint16),
            )

        old.ringlog_get.restype = ctypes.c_bool
        for count in (3, 1024, 1500):
            log, got = ctypes.create_string_buffer(16 * 1024 + 4), Entry()
            for number in range(count):
                old.ringlog_put(log, Entry(at_s=60 * number + 60, level_mm=number))
            log[16 * 1024 : 16 * 1024 + 4] = b"\xde\xad\xbe\xef"
            assert old.ringlog_recover(log) == min(count, 1024)
            for age in range(min(count, 1024)):
                assert old.ringlog_get(log, age, ctypes.byref(got))
                assert got.level_mm == count - 1 - age
            assert not old.ringlog_get(log, min(count, 1024), ctypes.byref(got))


class TestRadioLogic:
    pytestmark = logic

    def test_hamming_corrects_one_and_finds_two_wrong_bits(self, radio: ctypes.CDLL) -> None:
        radio.hamming_encode.restype = ctypes.c_uint8
        corrected = ctypes.c_bool()
        for nibble in range(16):
            word = radio.hamming_encode(nibble)
            assert radio.hamming_decode(word, ctypes.byref(corrected)) == nibble
            assert not corrected.value
            for bit in range(8):
                assert radio.hamming_decode(word ^ 1 << bit, ctypes.byref(corrected)) == nibble
                assert corrected.value
                for other in range(bit):
                    assert radio.hamming_decode(word ^ 1 << bit ^ 1 << other, ctypes.byref(corrected)) == -1

    def encode(self, radio: ctypes.CDLL, payload: bytes, sequence: int = 7) -> list[int]:
        symbols = (ctypes.c_uint16 * 144)()
        count = radio.frame_encode(0x2B, sequence, payload, len(payload), symbols)
        assert count > 0
        return list(symbols)[:count]

    def decode(self, radio: ctypes.CDLL, symbols: list[int], room: int = 64) -> bytes | None:
        payload = ctypes.create_string_buffer(64)
        size = radio.frame_decode(0x2B, (ctypes.c_uint16 * 144)(*symbols), len(symbols), payload, room)
        return payload.raw[:size] if size >= 0 else None

    def test_frames_come_back_also_with_a_lost_symbol_in_each_block(self, radio: ctypes.CDLL) -> None:
        for size in range(65):
            payload = bytes((17 * size + at) & 0xFF for at in range(size))
            symbols = self.encode(radio, payload, size)
            assert self.decode(radio, symbols) == payload
            hurt = list(symbols)
            for block in range(0, len(hurt), 8):
                hurt[block + size % 8] ^= 0x80  # in Gray code: every bit of the symbol
            assert self.decode(radio, hurt) == payload

    def test_damaged_and_foreign_frames_are_refused(self, radio: ctypes.CDLL) -> None:
        symbols = self.encode(radio, b"level 1234")
        hurt = list(symbols)
        hurt[8] ^= 0x80  # in Gray code, the top bit turns every bit of the symbol
        hurt[11] ^= 0x80
        assert self.decode(radio, hurt) is None
        assert self.decode(radio, symbols[:-8]) is None
        assert self.decode(radio, symbols[:-1]) is None
        assert self.decode(radio, symbols, room=9) is None
        assert self.decode(radio, []) is None
        assert radio.frame_encode(0x2B, 0, bytes(65), 65, (ctypes.c_uint16 * 144)()) == -1

    def test_duty_cycle_over_any_hour(self, radio: ctypes.CDLL) -> None:
        """Send whenever allowed for five hours: no 60 minutes hold more than 36 s on the air."""
        duty, sent = ctypes.create_string_buffer(4 * 61), []
        airtime = radio.duty_airtime_us(9, 4, 48)
        assert 100_000 < airtime < 2_000_000
        now = 0
        while now < 5 * 3600:
            wait = radio.duty_wait_s(duty, now, airtime)
            if wait == 0:
                radio.duty_spend(duty, now, airtime)
                sent.append(now)
                now += 1
            else:
                assert wait <= 3600
                now += wait
        for at in sent:
            inside = sum(1 for other in sent if at // 60 - 59 <= other // 60 <= at // 60)
            assert inside * airtime <= 36_000_000
        assert len(sent) * airtime > 4 * 30_000_000


class TestRecoveryLogic:
    pytestmark = logic

    def frame(self, kind: int, offset: int, data: bytes) -> bytes:
        head = bytes([0xA7, kind]) + len(data).to_bytes(2, "little") + offset.to_bytes(4, "little")
        return head + data + self.crc(head + data)

    def crc(self, data: bytes) -> bytes:
        import binascii

        return binascii.crc_hqx(data, 0xFFFF).to_bytes(2, "big")  # the standard library's CRC of polynomial 0x1021

    def events(self, receiver: ctypes.CDLL, stream: bytes) -> list[int]:
        state = ctypes.create_string_buffer(512)
        receiver.receiver_begin(state)
        return [event for event in (receiver.receiver_take(state, byte) for byte in stream) if event]

    def test_frames_noise_and_damage(self, receiver: ctypes.CDLL) -> None:
        good = self.frame(2, 0x1234, bytes(range(256)))
        assert self.events(receiver, b"\x00\x11" + good + b"\x22" + self.frame(3, 0, b"")) == [1, 1]
        for at in (1, 5, 100, len(good) - 1):
            hurt = bytearray(good)
            hurt[at] ^= 4
            assert self.events(receiver, bytes(hurt)) == [2]
        assert self.events(receiver, b"\xa7\x02\x01\x01" + bytes(4)) == [2]  # 257 bytes announced
        assert self.events(receiver, good[:-1]) == []
