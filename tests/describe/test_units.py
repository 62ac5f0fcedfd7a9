"""Sizes, times and rates as people write them."""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rootwright.describe import units
from rootwright.describe.problems import Slip

# Binary prefixes: IEC 80000-13. SI prefixes: BIPM, The International System of Units, table 7.
BINARY = {"KiB": 2**10, "MiB": 2**20, "GiB": 2**30}
RATES = {"B/s": 1, "kB/s": 1000, "MB/s": 10**6, "GB/s": 10**9, "KiB/s": 1024, "MiB/s": 2**20, "GiB/s": 2**30}
BIT_RATES = {"bit/s": Fraction(1, 8), "kbit/s": 125, "Mbit/s": 125_000, "Gbit/s": 125_000_000}
TIMES = {
    **{"ns": Fraction(1, 10**9), "us": Fraction(1, 10**6), "µs": Fraction(1, 10**6), "ms": Fraction(1, 1000)},
    **{"s": 1, "min": 60, "h": 3600},
}
FREQUENCIES = {"Hz": 1, "kHz": 1000, "MHz": 10**6, "GHz": 10**9}

decimals = st.from_regex(r"[0-9]{1,4}(\.[0-9]{1,3})?", fullmatch=True)
blanks = st.sampled_from(["", " "])


@pytest.mark.parametrize(
    ("written", "size"),
    [
        (4096, 4096),
        (0, 0),
        ("4096", 4096),
        ("4_096", 4096),
        ("0x8000", 0x8000),
        ("0X8000", 0x8000),
        ("0x2000_0000", 0x2000_0000),
        ("64 KiB", 65536),
        ("64KiB", 65536),
        ("1.5 KiB", 1536),
        ("100 B", 100),
        ("8 MiB", 8 << 20),
        ("4 GiB", 1 << 32),
    ],
)
def test_sizes(written: object, size: int) -> None:
    assert units.parse_size(written) == size


@pytest.mark.parametrize(
    ("written", "suggestion"),
    [
        ("64 kb", 'did you mean "64 KiB"?'),
        ("64 kB", 'did you mean "64 KiB"?'),
        ("64K", 'did you mean "64 KiB"?'),
        ("64 kib", 'did you mean "64 KiB"?'),
        ("64  KiB", 'did you mean "64 KiB"?'),
        (" 64 KiB", 'did you mean "64 KiB"?'),
        ("2 MB", 'did you mean "2 MiB"?'),
        ("4 bytes", 'did you mean "4 B"?'),
        ("-4 KiB", "a negative value makes no sense here"),
        (-1, "a negative value makes no sense here"),
        ("1,5 KiB", 'the decimal sign is a point: "1.5 KiB"'),
        ("1.3 KiB", "a size is a whole number of bytes"),
        ("1.5", "a size is a whole number of bytes"),
        ("1.0 B", "a size is a whole number of bytes"),
        (4096.0, "a size is a whole number of bytes"),
        ("64 parsecs", ""),
        ("", ""),
        ("0x", ""),
        ("0x_8000", ""),
        ("4096 ", 'write the unit: "4096 B"?'),
        ("4__096", ""),
        (True, ""),
        (None, ""),
        ([4096], ""),
        ("5 GiB", ""),
        (1 << 200, ""),
        ("9" * 60, ""),
        ("٤ KiB", ""),  # other scripts' digits
    ],
)
def test_refused_sizes(written: object, suggestion: str) -> None:
    with pytest.raises(Slip) as caught:
        units.parse_size(written)
    assert caught.value.suggestion == suggestion


@pytest.mark.parametrize(
    ("read", "written", "suggestion"),
    [
        (units.parse_time, 25, 'write the unit, in quotation marks: "25 ms"?'),
        (units.parse_time, "25", 'write the unit: "25 ms"?'),
        (units.parse_time, "25 msec", 'did you mean "25 ms"?'),
        (units.parse_time, "25 MS", 'did you mean "25 ms"?'),
        (units.parse_time, "25 μs", 'did you mean "25 µs"?'),
        (units.parse_time, "-25 ms", "a negative value makes no sense here"),
        (units.parse_frequency, 80_000_000, 'write the unit, in quotation marks: "80000000 Hz"?'),
        (units.parse_frequency, "80 mhz", 'did you mean "80 MHz"?'),
        (units.parse_frequency, "0 MHz", ""),
        (units.parse_rate, "9600 bps", 'did you mean "9600 bit/s"?'),
        (units.parse_rate, "2 kbps", 'did you mean "2 kbit/s"?'),
        (units.parse_rate, "2 kB", 'did you mean "2 kB/s"?'),
        (units.parse_rate, "0 B/s", ""),
        (units.parse_share, 0.2, 'did you mean "20 %"?'),
        (units.parse_share, 20, 'did you mean "20 %"?'),
        (units.parse_share, "20", 'write the unit: "20 %"?'),
        (units.parse_share, "20 percent", 'did you mean "20 %"?'),
        (units.parse_share, "1001 %", ""),
        (units.parse_life, 15, 'write the unit, in quotation marks: "15 years"?'),
        (units.parse_life, "15 y", 'did you mean "15 years"?'),
        (units.parse_life, "0 years", ""),
        (units.parse_life, "101 years", ""),
        (units.parse_life, True, ""),
        (units.parse_rate, {}, ""),
    ],
)
def test_other_refused_measures(read: Callable[[object], float], written: object, suggestion: str) -> None:
    with pytest.raises(Slip) as caught:
        read(written)
    assert caught.value.suggestion == suggestion


@pytest.mark.parametrize(
    ("read", "written"),
    [(units.parse_share, "20%"), (units.parse_life, "18 months"), (units.parse_life, "1 year")],
)
def test_short_forms(read: Callable[[object], float], written: str) -> None:
    assert read(written) == {"20%": 0.2, "18 months": 1.5, "1 year": 1.0}[written]


@given(decimals, blanks, st.sampled_from(sorted(BINARY)))
def test_a_size_is_number_times_prefix(number: str, blank: str, unit: str) -> None:
    exact = Fraction(number) * BINARY[unit]
    if exact.denominator == 1 and exact <= units.LARGEST_SIZE:
        assert units.parse_size(f"{number}{blank}{unit}") == exact
    else:
        with pytest.raises(Slip):
            units.parse_size(f"{number}{blank}{unit}")


@pytest.mark.parametrize(
    ("read", "factors"),
    [(units.parse_time, TIMES), (units.parse_rate, {**RATES, **BIT_RATES}), (units.parse_frequency, FREQUENCIES)],
)
@given(data=st.data(), number=decimals, blank=blanks)
def test_a_measure_is_the_nearest_float_to_number_times_unit(
    read: Callable[[object], float], factors: dict[str, Fraction], data: st.DataObject, number: str, blank: str
) -> None:
    unit = data.draw(st.sampled_from(sorted(factors)))
    exact = Fraction(number) * factors[unit]
    if exact or read is units.parse_time:
        assert read(f"{number}{blank}{unit}") == float(exact)


@given(st.integers(0, units.LARGEST_SIZE))
def test_written_sizes_and_addresses_read_back(size: int) -> None:
    assert units.parse_size(units.size_words(size)) == size
    assert units.parse_size(units.address_words(size)) == size


PATTERNS = [
    (units.parse_size, units.SIZE_PATTERN),
    (units.parse_time, units.TIME_PATTERN),
    (units.parse_frequency, units.FREQUENCY_PATTERN),
    (units.parse_rate, units.RATE_PATTERN),
    (units.parse_share, units.SHARE_PATTERN),
    (units.parse_life, units.LIFE_PATTERN),
]


NUMBERS = ["0", "12", "007", "4_096", "4__0", "_1", "1.5", "1.25", ".5", "1.", "0x1F", "0x", "0x_1", "0X1_0", "-1", ""]
UNITS = [
    *("", "B", "KiB", "MiB", "GiB", "kB", "KB", "K", "ns", "us", "µs", "ms", "s", "min", "h", "S", "Hz", "kHz", "MHz"),
    *("GHz", "B/s", "kB/s", "MB/s", "KiB/s", "GiB/s", "bit/s", "kbit/s", "Mbit/s", "bps", "%", "%%", "year", "years"),
    *("months", "month", "y"),
]


@pytest.mark.parametrize(("read", "pattern"), PATTERNS)
@given(
    st.sampled_from(NUMBERS),
    st.sampled_from(["", "", " ", "  ", "\t", "\u00a0"]),
    st.sampled_from(UNITS),
    st.sampled_from(["", "", " ", "."]),
)
def test_the_schema_pattern_is_the_grammar(
    read: Callable[[object], float], pattern: str, number: str, blank: str, unit: str, tail: str
) -> None:
    near = f"{number}{blank}{unit}{tail}"
    fits_pattern = re.fullmatch(pattern, near) is not None
    try:
        read(near)
    except Slip as slip:
        if not fits_pattern:
            return
        reason = slip
    else:
        assert fits_pattern
        return
    # Only bounds and whole bytes are beyond the pattern.
    assert "did you mean" not in reason.suggestion
    assert "whole number" in reason.suggestion or not reason.suggestion


@pytest.mark.parametrize("read", [read for read, _ in PATTERNS])
@given(value=st.one_of(st.text(max_size=60), st.integers(), st.floats(), st.booleans(), st.none(), st.lists(st.text())))
def test_anything_else_is_a_slip(read: Callable[[object], float], value: object) -> None:
    try:
        result = read(value)
    except Slip:
        return
    assert 0 <= result < float("inf")
