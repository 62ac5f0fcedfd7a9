"""Core names as the open formats write them, and the architecture of each.

Source: Open-CMSIS-Pack, processor attribute Dcore; CMSIS-SVD, cpuType; Devicetree bindings for cpu nodes. Which core
has which architecture: the architecture reference manuals (quoted from memory).
"""

from __future__ import annotations

import re

from rootwright.describe.chip import Architecture

_BY_NUMBER = {
    **dict.fromkeys(("0", "0+", "0plus", "1"), Architecture.ARMV6_M),
    **dict.fromkeys(("3", "4", "4f", "7", "7f"), Architecture.ARMV7_M),
    **dict.fromkeys(("23", "33", "33f", "35p", "55", "55f", "85"), Architecture.ARMV8_M),
}
_BY_NAME = {
    "armv8mbl": Architecture.ARMV8_M,
    "armv8mml": Architecture.ARMV8_M,
    "armv81mml": Architecture.ARMV8_M,
}
_CORE = re.compile(r"(?:arm,)?(?:cortex-m|cm)([0-9]{1,2}(?:\+|p|plus|f)?)")


def find_architecture(core: str) -> Architecture | None:
    """Return the architecture of a core, or None where the name says nothing to us.

    >>> find_architecture("Cortex-M0+"), find_architecture("CM4"), find_architecture("arm,cortex-m33f")
    (<Architecture.ARMV6_M: 'Armv6-M'>, <Architecture.ARMV7_M: 'Armv7-M'>, <Architecture.ARMV8_M: 'Armv8-M'>)
    """
    word = core.strip().lower()
    match = _CORE.fullmatch(word)
    if match:
        return _BY_NUMBER.get(match[1])
    if re.fullmatch(r"rv32[a-z_0-9]*|riscv32", word):
        return Architecture.RV32
    return _BY_NAME.get(word.replace("-", "").replace("_", "").replace(".", ""))
