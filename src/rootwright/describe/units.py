"""Sizes, times, rates and shares as people write them, read with a strict grammar.

A size counts in bytes: `4096`, `0x8000`, `"64 KiB"`, `"1.5 KiB"`. Binary prefixes are those of IEC 80000-13. `kB` and
`KB` are refused in sizes: some of their writers mean 1000, some 1024. In rates `kB/s` is 1000 bytes per second.
Every reader raises `Slip` with the right form where the mistake is recognisable.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Final

from rootwright.describe.problems import Slip

LARGEST_SIZE: Final = 1 << 32
"""Sizes and addresses fit the 32-bit address space of all parts that are described."""

SIZE_PATTERN: Final = (
    r"^(0[xX][0-9A-Fa-f]+(_[0-9A-Fa-f]+)*|[0-9]+(_[0-9]+)*( ?B)?|[0-9]+(_[0-9]+)*(\.[0-9]+)? ?(KiB|MiB|GiB))$"
)
TIME_PATTERN: Final = r"^[0-9]+(_[0-9]+)*(\.[0-9]+)? ?(ns|us|µs|ms|s|min|h)$"
FREQUENCY_PATTERN: Final = r"^[0-9]+(_[0-9]+)*(\.[0-9]+)? ?(Hz|kHz|MHz|GHz)$"
RATE_PATTERN: Final = r"^[0-9]+(_[0-9]+)*(\.[0-9]+)? ?(B|kB|MB|GB|KiB|MiB|GiB|bit|kbit|Mbit|Gbit)/s$"
SHARE_PATTERN: Final = r"^[0-9]+(\.[0-9]+)? ?%$"
LIFE_PATTERN: Final = r"^[0-9]+(\.[0-9]+)? ?(year|years|month|months)$"

_SIZES = {"": Decimal(1), "B": Decimal(1), "KiB": Decimal(1 << 10), "MiB": Decimal(1 << 20), "GiB": Decimal(1 << 30)}
_TIMES = {
    "ns": Decimal("1e-9"),
    "us": Decimal("1e-6"),
    "µs": Decimal("1e-6"),
    "ms": Decimal("1e-3"),
    "s": Decimal(1),
    "min": Decimal(60),
    "h": Decimal(3600),
}
_FREQUENCIES = {"Hz": Decimal(1), "kHz": Decimal(1000), "MHz": Decimal("1e6"), "GHz": Decimal("1e9")}
_BYTES = {"": 1, "k": 10**3, "M": 10**6, "G": 10**9}
_RATES = {
    **{f"{prefix}B/s": Decimal(factor) for prefix, factor in _BYTES.items()},
    **{f"{prefix}bit/s": Decimal(factor) / 8 for prefix, factor in _BYTES.items()},
    **{f"{unit}/s": factor for unit, factor in _SIZES.items() if unit.endswith("iB")},
}
_LIVES = {
    "year": Decimal(1),
    "years": Decimal(1),
    "month": Decimal(1) / 12,
    "months": Decimal(1) / 12,
}

_SIZE_WORDS = 'a size in bytes such as "64 KiB", 4096 or 0x1000'
_NUMBER = re.compile(r"([0-9]+(?:_[0-9]+)*(?:\.[0-9]+)?)[ \t]*(.*)", re.DOTALL)
_HEXADECIMAL = re.compile(r"0[xX][0-9A-Fa-f]+(_[0-9A-Fa-f]+)*")
_LONGEST = 40

# Spellings people use -> the unit meant. Compared without case; the right spelling is matched before this table.
_SIZE_SLIPS = {
    "k": "KiB",
    "kb": "KiB",
    "kib": "KiB",
    "kbyte": "KiB",
    "kbytes": "KiB",
    "m": "MiB",
    "mb": "MiB",
    "mib": "MiB",
    "mbyte": "MiB",
    "g": "GiB",
    "gb": "GiB",
    "gib": "GiB",
    "b": "B",
    "byte": "B",
    "bytes": "B",
}
_TIME_SLIPS = {
    "nsec": "ns",
    "usec": "us",
    "msec": "ms",
    "msecs": "ms",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "minute": "min",
    "minutes": "min",
    "hour": "h",
    "hours": "h",
    **{unit.casefold(): unit for unit in _TIMES},
}
_FREQUENCY_SLIPS = {**{unit.casefold(): unit for unit in _FREQUENCIES}, "k": "kHz", "m": "MHz"}
_RATE_SLIPS = {
    "bps": "bit/s",
    "kbps": "kbit/s",
    "mbps": "Mbit/s",
    "b": "B/s",
    "kb": "kB/s",
    "kib": "KiB/s",
    "bytes/s": "B/s",
    "baud": "bit/s",
    "bits/s": "bit/s",
    **{unit.casefold(): unit for unit in _RATES},
}
_LIFE_SLIPS = {"y": "years", "yr": "years", "yrs": "years", "a": "years", "mo": "months"}


def _is_whole_number(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _measure(
    value: object, units: Mapping[str, Decimal], slips: Mapping[str, str], expected: str, example_unit: str
) -> Decimal:
    """Return number times unit; the text may have one blank between the two."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        if value < 0:
            raise Slip(expected, suggestion="a negative value makes no sense here")
        raise Slip(expected, suggestion=f'write the unit, in quotation marks: "{value} {example_unit}"?')
    if not isinstance(value, str) or len(value) > _LONGEST:
        raise Slip(expected)
    if re.fullmatch(r"[0-9]+,[0-9]+ *[^0-9]*", value.strip()):
        raise Slip(expected, suggestion=f'the decimal sign is a point: "{value.strip().replace(",", ".", 1)}"')
    match = _NUMBER.fullmatch(value.strip())
    if match is None:
        negative = value.strip().startswith(("-", "−"))
        raise Slip(expected, suggestion="a negative value makes no sense here" if negative else "")
    number, unit = match.groups()
    if unit in units and value in (f"{number}{unit}", f"{number} {unit}".rstrip()):
        return Decimal(number.replace("_", "")) * units[unit]
    meant = unit if unit in units else slips.get(unit.strip().casefold())
    if not unit:
        raise Slip(expected, suggestion=f'write the unit: "{number} {example_unit}"?')
    raise Slip(expected, suggestion=f'did you mean "{number} {meant}"?' if meant else "")


def parse_size(value: object) -> int:
    """Return a size or address in bytes.

    >>> parse_size("64 KiB"), parse_size("0x8000"), parse_size(4096)
    (65536, 32768, 4096)
    """
    if _is_whole_number(value):
        size = Decimal(value)  # type: ignore[arg-type]
        if size < 0:
            raise Slip(_SIZE_WORDS, suggestion="a negative value makes no sense here")
    elif isinstance(value, str) and len(value) <= _LONGEST and _HEXADECIMAL.fullmatch(value):
        size = Decimal(int(value.replace("_", ""), 16))
    elif isinstance(value, float):
        raise Slip(_SIZE_WORDS, suggestion="a size is a whole number of bytes")
    else:
        size = _measure(value, _SIZES, _SIZE_SLIPS, _SIZE_WORDS, "B")
        if isinstance(value, str) and "." in value and not value.rstrip().endswith("iB"):
            raise Slip(_SIZE_WORDS, suggestion="a size is a whole number of bytes")
    if size != size.to_integral_value():
        raise Slip(_SIZE_WORDS, suggestion="a size is a whole number of bytes")
    if size > LARGEST_SIZE:
        raise Slip("at most 4 GiB: parts have a 32-bit address space")
    return int(size)


def parse_time(value: object) -> float:
    """Return a time in seconds.

    >>> parse_time("25 ms"), parse_time("90 us")
    (0.025, 9e-05)
    """
    return float(_measure(value, _TIMES, _TIME_SLIPS, 'a time with its unit such as "25 ms", "90 us" or "8 s"', "ms"))


def parse_frequency(value: object) -> float:
    """Return a frequency in hertz.

    >>> parse_frequency("80 MHz")
    80000000.0
    """
    expected = 'a frequency with its unit such as "80 MHz"'
    likely = "Hz" if isinstance(value, int) and value >= 10_000 else "MHz"
    hertz = float(_measure(value, _FREQUENCIES, _FREQUENCY_SLIPS, expected, likely))
    if hertz <= 0:
        raise Slip("a frequency above zero")
    return hertz


def parse_rate(value: object) -> float:
    """Return a data rate in bytes per second; `kB/s` is 1000, `KiB/s` 1024, `kbit/s` 125.

    >>> parse_rate("2.5 kB/s"), parse_rate("9600 bit/s")
    (2500.0, 1200.0)
    """
    expected = 'a data rate such as "180 B/s", "2.5 kB/s" or "250 kbit/s"'
    rate = float(_measure(value, _RATES, _RATE_SLIPS, expected, "B/s"))
    if rate <= 0:
        raise Slip("a data rate above zero")
    return rate


def parse_share(value: object) -> float:
    """Return a share as a fraction.

    >>> parse_share("20 %")
    0.2
    """
    expected = 'a share with its sign such as "20 %"'
    if isinstance(value, float) and 0 <= value <= 1:
        raise Slip(expected, suggestion=f'did you mean "{value * 100:g} %"?')
    if isinstance(value, int) and not isinstance(value, bool):
        raise Slip(expected, suggestion=f'did you mean "{value} %"?')
    share = float(_measure(value, {"%": Decimal("0.01")}, {"percent": "%", "pct": "%"}, expected, "%"))
    if share > 10:
        raise Slip('a share of at most "1000 %"')
    return share


def parse_life(value: object) -> float:
    """Return a span of life in years.

    >>> parse_life("15 years"), parse_life("18 months")
    (15.0, 1.5)
    """
    years = float(_measure(value, _LIVES, _LIFE_SLIPS, 'a span such as "15 years" or "18 months"', "years"))
    if not 0 < years <= 100:
        raise Slip('a span of more than none and at most "100 years"')
    return years


def size_words(size: int) -> str:
    """Return a size the way a person writes it; `parse_size` reads it back.

    >>> size_words(65536), size_words(100)
    ('64 KiB', '100 B')
    """
    for unit, factor in (("MiB", 1 << 20), ("KiB", 1 << 10)):
        if size and size % factor == 0:
            return f"{size // factor} {unit}"
    return f"{size} B"


def address_words(address: int) -> str:
    """Return an address in the usual spelling.

    >>> address_words(0x2000_0000)
    '0x2000_0000'
    """
    return f"0x{address >> 16:04X}_{address & 0xFFFF:04X}"
