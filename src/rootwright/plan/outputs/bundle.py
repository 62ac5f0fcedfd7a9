"""All files that a build takes over, the same bytes for the same plan, and what is wrong with those that are there."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from rootwright.describe.chip import Chip
from rootwright.layout.map import Map
from rootwright.plan.lockdown.result import LockdownPlan, Moment, SettingValue
from rootwright.plan.outputs.layout import c_header, linker_fragment
from rootwright.plan.outputs.table import HEAD, csr_functions, table_header, table_source

LISTS = {
    Moment.START: "lockdown_start",
    Moment.TRIAL: "lockdown_trial",
    Moment.SECOND: "lockdown_second",
    Moment.RECOVERY: "lockdown_recovery",
}
"""Names of the lists by the moment at which the boot stage writes them."""

RECORD = "layout.json"


@dataclass(frozen=True, slots=True)
class Stale:
    """One file of an earlier export that is not what the plan gives now: which, and what is wrong."""

    file: str
    found: str


def map_digest(map_: Map) -> str:
    """Return a short digest of a map: which block lies where."""
    rows = [[r.block, r.memory, r.address, r.size, r.header] for r in map_.regions]
    content = json.dumps([map_.chip, map_.procedure, rows], separators=(",", ":")).encode()
    return hashlib.sha256(content).hexdigest()[:16]


def make_outputs(chip: Chip, map_: Map, lockdown: LockdownPlan) -> dict[str, bytes]:
    """Return the content of every file by name: linker fragment, headers, tables, record.

    The settings of the factory are in none of the C files: a boot stage must not be able to write them by mistake. They
    stand in the record.
    """
    digest = map_digest(map_)
    lists: list[tuple[str, tuple[SettingValue, ...]]] = []
    for moment, name in LISTS.items():
        here = tuple(s for s in lockdown.settings if s.moment is moment and not s.stored)
        if here or moment is Moment.START:
            lists.append((name, here))
    files = {
        "layout.ld": linker_fragment(chip, map_, digest),
        "layout.h": c_header(chip, map_, digest),
        "lockdown_table.h": table_header([name for name, _ in lists], csr=csr_functions(lists)),
        "lockdown_table.c": table_source(lists),
    }
    made = {name: text.encode("utf-8") for name, text in files.items()}
    record = {
        "about": HEAD,
        "version": 1,
        "product": lockdown.product,
        "chip": lockdown.chip,
        "silicon": lockdown.silicon,
        "procedure": map_.procedure,
        "map": digest,
        "regions": [
            {"block": r.block, "role": r.role.value, "memory": r.memory, "address": r.address, "size": r.size}
            for r in map_.regions
        ],
        "covers": [asdict(cover) for cover in lockdown.covers],
        "settings": [asdict(setting) for setting in lockdown.settings],
        "without_address": [s.name for s in lockdown.settings if s.address is None and s.number is None],
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in made.items()},
    }
    made[RECORD] = (json.dumps(record, indent=2, ensure_ascii=False) + "\n").encode("utf-8")
    return made


def find_stale(outputs: Mapping[str, bytes], there: Mapping[str, bytes | None]) -> tuple[Stale, ...]:
    """Return what is wrong with the files of an earlier export; empty where each is what the plan gives.

    Args:
        outputs: What the plan gives now.
        there: What lies in the folder, None for a file that is missing.
    """
    found: list[Stale] = []
    moved = _moves(json.loads(outputs[RECORD]), there.get(RECORD))
    found += [Stale(RECORD, text) for text in moved]
    recorded = _recorded_digests(there.get(RECORD))
    for name, content in outputs.items():
        old = there.get(name)
        if old is None:
            found.append(Stale(name, "is missing"))
        elif old != content and not (name == RECORD and moved):
            edited = name in recorded and hashlib.sha256(old).hexdigest() != recorded[name]
            found.append(
                Stale(
                    name, "was changed by hand after its export" if edited else "is stale: the plan gives another one"
                )
            )
    return tuple(found)


def _record(content: bytes | None) -> dict[str, Any]:
    if content is None:
        return {}
    try:
        found = json.loads(content)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _recorded_digests(content: bytes | None) -> dict[str, str]:
    files = _record(content).get("files")
    return {k: v for k, v in files.items() if isinstance(v, str)} if isinstance(files, dict) else {}


def _places(record: dict[str, Any]) -> dict[str, tuple[object, object]]:
    rows = record.get("regions")
    if not isinstance(rows, list):
        return {}
    return {str(row.get("block")): (row.get("address"), row.get("size")) for row in rows if isinstance(row, dict)}


def _moves(plan: dict[str, Any], content: bytes | None) -> list[str]:
    """Return which blocks lie elsewhere than at the time of an earlier export."""
    if content is None:
        return []
    before, after = _places(_record(content)), _places(plan)
    if not before:
        return ["cannot be read as the record of an export"]
    found = []
    for block in dict.fromkeys([*before, *after]):
        if block not in after:
            found.append(f"the map changed: {block} is gone")
        elif block not in before:
            found.append(f"the map changed: {block} is new")
        elif before[block] != after[block]:
            found.append(f"the map changed: {block} was {_place(before[block])} and is {_place(after[block])}")
    return found


def _place(place: tuple[object, object]) -> str:
    address, size = place
    if not isinstance(address, int) or not isinstance(size, int):
        return "nowhere"
    return f"{size} bytes at 0x{address:08X}"
