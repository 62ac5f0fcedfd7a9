"""Compute the C tables of the gauge's firmware; the same numbers every time, from the formulas named at each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

GRAVITY = 9.80665


def c_table(declaration: str, rows: Iterable[Sequence[int]], width: int = 16) -> str:
    """Return one C array: `rows` of numbers, braces round each row if there are several."""
    listed = [list(row) for row in rows]
    bodies = []
    for row in listed:
        lines = [", ".join(map(str, row[at : at + width])) for at in range(0, len(row), width)]
        bodies.append(",\n    ".join(lines))
    inner = bodies[0] if len(bodies) == 1 else ",\n    ".join("{" + body + "}" for body in bodies)
    return f"const {declaration} = {{\n    {inner}\n}};\n"


def rating(minor: int) -> list[list[int]]:
    """Return discharge in decilitres per second by stage in 2 mm steps for three control sections.

    V-notch and rectangular thin-plate weirs (Kindsvater form as in ISO 1438, constant coefficients), and a trapezoidal
    channel after Manning. 1.5.0 has the channel's roughness from a new survey.
    """
    roughness = 0.0350 if minor < 5 else 0.0335
    stages = [0.002 * point for point in range(2048)]
    notch = [8 / 15 * 0.578 * math.sqrt(2 * GRAVITY) * stage**2.5 for stage in stages]
    plate = [2 / 3 * 0.602 * math.sqrt(2 * GRAVITY) * 2.4 * stage**1.5 for stage in stages]
    channel = []
    for stage in stages:
        area = (6.0 + 1.5 * stage) * stage
        radius = area / (6.0 + 2 * stage * math.sqrt(1 + 1.5**2))
        channel.append(area * radius ** (2 / 3) * math.sqrt(0.0012) / roughness)
    return [[round(10_000 * value) for value in section] for section in (notch, plate, channel)]


def sensor() -> list[list[int]]:
    """Return the pressure cell's correction in tenths of a millimetre, temperature by pressure (an invented cell)."""
    grid = []
    for row in range(65):
        warm = (row - 30) / 64
        grid.append(
            [
                round(180 * warm * (1 - 0.4 * p / 64) + 95 * warm * warm - 60 * math.sin(math.pi * p / 64) * (1 + warm))
                for p in range(65)
            ]
        )
    return grid


def daylight() -> list[list[int]]:
    """Return minutes of daylight by latitude 30 to 60 degrees north and day (declination after Cooper, 1969)."""
    table = []
    for latitude in range(30, 61):
        row = []
        for day in range(1, 367):
            declination = math.radians(23.45 * math.sin(math.radians(360 * (284 + day) / 365)))
            cosine = -math.tan(math.radians(latitude)) * math.tan(declination)
            row.append(round(1440 / math.pi * math.acos(max(-1.0, min(1.0, cosine)))))
        table.append(row)
    return table


def battery() -> list[list[int]]:
    """Return two cells' voltage in millivolt by temperature and percent left (an invented cell)."""
    table = []
    for row in range(33):
        cold = max(0.0, (20 - (4 * row - 40)) / 60)
        table.append(
            [
                round(
                    7200 - 2300 * math.exp(-percent / (6 + 9 * cold)) - 520 * cold - 2.4 * (100 - percent) * (1 + cold)
                )
                for percent in range(101)
            ]
        )
    return table


# A sign is drawn with strokes on a grid of 3 by 5 points: each pair of letters is a line between two points.
#   a b c
#   d e f
#   g h i
#   j k l
#   m n o
STROKES = {
    "!": "bh nn", "+": "fd eh be", "-": "gi", ".": "nn", "/": "cm", ":": "ee kk", "=": "df jl",
    "0": "ac co om ma cm", "1": "db bn mo", "2": "ac ci ig gm mo", "3": "ac co om gi", "4": "ag gi co",
    "5": "ca ag gi io om", "6": "ca am mo oi ig", "7": "ac cn", "8": "ac co om ma gi", "9": "ig ga ac co om",
    "A": "md db bf fo gi", "B": "am ab bf fh hg hl ln nm", "C": "ca am mo", "D": "am ab bf fl ln nm",
    "E": "ca am mo gh", "F": "ca am gh", "G": "ca am mo oi ih", "H": "am co gi", "I": "ac bn mo", "J": "co om mj",
    "K": "am cg go", "L": "am mo", "M": "ma ae ec co", "N": "ma ao oc", "O": "ac co om ma", "P": "ma ac ci ig",
    "Q": "ac co om ma ko", "R": "ma ac ci ig ho", "S": "ca ag gi io om", "T": "ac bn", "U": "am mo oc",
    "V": "aj jn nl lc", "W": "am mk ko oc", "X": "ao cm", "Y": "ae ec en", "Z": "ac cm mo",
}  # fmt: skip


def glyphs() -> list[list[int]]:
    """Return 24 rows of 16 dots for each sign from space to Z, drawn from our own strokes."""
    table = []
    for code in range(32, 91):
        rows = [0] * 24
        for start, end in STROKES.get(chr(code), "").split():
            (x0, y0), (x1, y1) = (divmod(ord(point) - ord("a"), 3)[::-1] for point in (start, end))
            for step in range(65):
                x = 2 + round((x0 * 64 + (x1 - x0) * step) * 5 / 64)
                y = 2 + round((y0 * 64 + (y1 - y0) * step) * 19 / 4 / 64)
                for row in (y, y + 1):
                    rows[row] |= 0b11 << (14 - x)
        table.append(rows)
    return table


def freezing() -> list[int]:
    """Return the freezing point in hundredths of a degree by conductivity: about -0.054 degrees per gram of salt."""
    return [round(-100 * 0.054 * 0.55 * 0.25 * step) for step in range(256)]


def whitening() -> list[int]:
    """Return the bytes of a nine-stage shift register, x^9 + x^5 + 1, from all ones."""
    state, table = 0x1FF, []
    for _ in range(511):
        table.append(state & 0xFF)
        for _ in range(8):
            state = state >> 1 | ((state ^ state >> 5) & 1) << 8
    return table


def hamming() -> list[int]:
    """Return the nearest nibble of each byte; 0x10 added for one corrected bit, 0x80 where two are wrong."""

    def word(nibble: int) -> int:
        a, b, c, d = (nibble >> bit & 1 for bit in range(4))
        return nibble | (a ^ b ^ c) << 4 | (b ^ c ^ d) << 5 | (a ^ b ^ d) << 6 | (a ^ c ^ d) << 7

    table = []
    for byte in range(256):
        distance, nibble = min(((byte ^ word(nibble)).bit_count(), nibble) for nibble in range(16))
        table.append((nibble, nibble | 0x10, 0x80)[min(distance, 2)])
    return table


def sine() -> list[int]:
    """Return one turn of the sine in 2048 steps."""
    return [round(32000 * math.sin(2 * math.pi * step / 2048)) for step in range(2048)]


def airtime(minor: int) -> list[list[int]]:
    """Return microseconds on the air by spreading 7..12, coding 1..4 and bytes, at 125 kHz; our own frame's symbols."""
    preamble = 10 if minor < 2 else 11
    table = []
    for spreading in range(7, 13):
        for coding in range(1, 5):
            blocks = ((2 * size + spreading - 1) // spreading for size in range(256))
            table.append([round((preamble + block * (4 + coding)) * 2**spreading * 8) for block in blocks])
    return table


def hops(minor: int) -> list[list[int]]:
    """Return channel sequences: powers of a generator modulo 131, shifted for each network."""
    count, channels = (32, 48) if minor < 2 else (48, 64)
    return [
        [pow(2, step * (2 * network + 1) + network, 131) % channels for step in range(128)] for network in range(count)
    ]


def application_tables(minor: int) -> str:
    """Return the C source of the application's tables."""
    parts = [
        c_table("uint32_t rating_table[RATING_SECTIONS][RATING_POINTS]", rating(minor)),
        c_table("int16_t sensor_correction[SENSOR_GRID][SENSOR_GRID]", sensor()),
        c_table("uint16_t daylight_minutes[DAY_LATITUDES][366]", daylight()),
        c_table("uint16_t battery_millivolt[BATTERY_TEMPERATURES][101]", battery()),
        c_table("uint16_t glyph_rows[GLYPH_COUNT][24]", glyphs()),
    ]
    if minor >= 5:
        parts.append(c_table("int16_t freezing_centidegree[256]", [freezing()]))
    return '#include "tables.h"\n\n' + "\n".join(parts)


def radio_tables(minor: int) -> str:
    """Return the C source of the radio stack's tables."""
    rows = airtime(minor)
    grouped = ",\n".join(
        "{" + ",\n".join("{" + ", ".join(map(str, row)) + "}" for row in rows[at : at + 4]) + "}"
        for at in range(0, 24, 4)
    )
    parts = [
        c_table("uint8_t whitening[WHITENING_PERIOD]", [whitening()]),
        c_table("uint8_t hamming_nearest[256]", [hamming()]),
        c_table("int16_t sine[2048]", [sine()]),
        f"const uint32_t airtime_us[6][4][256] = {{\n{grouped}\n}};\n",
        c_table("uint8_t hop[HOP_SEQUENCES][128]", hops(minor)),
    ]
    return '#include "tables.h"\n\n' + "\n".join(parts)


def recovery_tables() -> str:
    """Return the C source of the recovery image's one table, its signs."""
    return '#include "tables.h"\n\n' + c_table("uint16_t glyph_rows[GLYPH_COUNT][24]", glyphs())
