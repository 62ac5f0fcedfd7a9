"""The settings made at every start, as C: memory-mapped registers in a table, CSRs in a function."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rootwright.plan.lockdown.result import SettingValue

HEAD = "Made by `rootwright export` from the product's plan. Do not edit; export again."

HEADER = f"""/* {HEAD} */
#ifndef LOCKDOWN_TABLE_H
#define LOCKDOWN_TABLE_H
#include <stddef.h>
#include <stdint.h>

/* One write: bits outside the mask are kept as they are. */
struct lockdown_write {{
    uint32_t address;
    uint32_t value;
    uint32_t mask;
    uint32_t width; /* in bits: 8, 16 or 32; a wider field has two rows, the lower half first */
}};

/* A list of writes, to be made in this order and read back. */
struct lockdown_list {{
    const struct lockdown_write *writes;
    size_t count;
}};
"""


def table_header(lists: Sequence[str], *, csr: Sequence[str] = ()) -> str:
    """Return lockdown_table.h: the types, and a declaration of each list and each function."""
    lines = [HEADER]
    lines += [f"extern const struct lockdown_list {name};" for name in lists]
    lines += [f"void {name}(void); /* writes control and status registers */" for name in csr]
    return "\n".join([*lines, "", "#endif", ""])


def table_source(lists: Sequence[tuple[str, Iterable[SettingValue]]]) -> str:
    """Return lockdown_table.c: one list for each name, and for RV32 a function that writes the CSRs."""
    parts = [f"/* {HEAD} */", '#include "lockdown_table.h"', ""]
    for name, settings in lists:
        rows, csrs = [], []
        for setting in settings:
            if setting.number is not None:
                csrs.append(
                    f'    __asm__ volatile("csrw 0x{setting.number:03x}, %0" : : "r"(0x{setting.value:08X}u)); '
                    f"/* {_comment(setting)} */"
                )
            elif setting.address is not None and not setting.stored:
                rows += _rows(setting)
        body = "\n".join(rows) or "    {0u, 0u, 0u, 32u}, /* nothing to write */"
        count = len(rows)
        parts += [
            f"static const struct lockdown_write {name}_writes[] = {{",
            body,
            "};",
            f"const struct lockdown_list {name} = {{{name}_writes, {count}u}};",
            "",
        ]
        if csrs:
            parts += [f"void {name}_csr(void)", "{", *csrs, "}", ""]
    return "\n".join(parts)


def csr_functions(lists: Sequence[tuple[str, Iterable[SettingValue]]]) -> list[str]:
    """Return the names of the functions that `table_source` makes for CSRs."""
    return [f"{name}_csr" for name, settings in lists if any(s.number is not None for s in settings)]


def _rows(setting: SettingValue) -> list[str]:
    assert setting.address is not None
    if setting.width <= 32:
        mask = setting.mask & 0xFFFF_FFFF
        return [
            f"    {{0x{setting.address:08X}u, 0x{setting.value:08X}u, 0x{mask:08X}u, {setting.width}u}}, "
            f"/* {_comment(setting)} */"
        ]
    rows = []
    for half in (0, 1):
        value, mask = setting.value >> 32 * half & 0xFFFF_FFFF, setting.mask >> 32 * half & 0xFFFF_FFFF
        row = f"    {{0x{setting.address + 4 * half:08X}u, 0x{value:08X}u, 0x{mask:08X}u, 32u}},"
        rows.append(f"{row} /* {_comment(setting)} */")
    return rows


def _comment(setting: SettingValue) -> str:
    return f"{setting.name}: {setting.says}".replace("*/", "* /")
