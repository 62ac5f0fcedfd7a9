"""The rules of a memory map once more, as a model for a constraint solver (OR-tools CP-SAT).

Written apart from the search: every whole-sector block picks one row of a table of all its windows; other blocks have
a start in program units; rules between blocks are constraints on columns of those tables.
"""

from __future__ import annotations

from ortools.sat.python import cp_model

from rootwright.describe.chip import Chip, ProtectionKind
from rootwright.layout.demand import BlockRole, Demand, TieKind

FAR = 1 << 33  # puts memory after memory on one line


def is_feasible(demand: Demand, chip: Chip, min_sizes: dict[str, int] | None = None) -> bool:
    """Ask the solver whether a map exists; `min_sizes` replaces least sizes by block."""
    answer = ask_solver(demand, chip, min_sizes)
    assert answer is not None
    return answer


def ask_solver(
    demand: Demand, chip: Chip, min_sizes: dict[str, int] | None = None, *, limit_s: float | None = None
) -> bool | None:
    """The same, but None where the solver has not decided within `limit_s`."""
    model = cp_model.CpModel()
    least = {b.name: b.min_size for b in demand.blocks} | (min_sizes or {})
    granules = {}
    for memory in chip.memories:
        found = chip.find_protections(ProtectionKind.WRITE_PROTECTION, memory.name)
        granules[memory.name] = min((p.granule for p in found), default=None)
    sectorwise = {
        n
        for t in demand.ties
        if t.kind in (TieKind.SAME_PATTERN, TieKind.COMMON_MULTIPLE, TieKind.AT_LEAST_LARGEST_SECTOR)
        for n in t.blocks
    }
    start, size, memory_of, largest, pattern, multiples = {}, {}, {}, {}, {}, {}
    patterns: dict[tuple[int, ...], int] = {}
    sector_sizes = sorted({run.size for m in chip.memories for run in m.runs})
    boots = [b for b in demand.blocks if b.role is BlockRole.BOOT]
    for block in demand.blocks:
        at = block.at
        if boots and block is boots[0] and all(b.at is None for b in boots):
            at = chip.reset_address - block.header
        name = block.name
        whole = block.exclusive or block.min_sectors > 1 or name in sectorwise
        rows = []
        for number, memory in enumerate(chip.memories):
            if memory.name not in block.memories:
                continue
            if block.write_protect and granules[memory.name] is None:
                continue
            if block.bank is not None and block.bank >= memory.banks:
                continue
            low, high = memory.base, memory.end
            if block.bank is not None and memory.banks == 2:
                middle = memory.base + memory.size // 2
                low, high = (low, middle) if block.bank == 0 else (middle, high)
            sectors = list(memory.sectors())
            if whole:
                for i in range(len(sectors)):
                    for j in range(i, len(sectors)):
                        a, z = sectors[i].address, sectors[j].end
                        if a < low or z > high or z - a < least[name] or j - i + 1 < block.min_sectors:
                            continue
                        if block.write_protect:
                            g = granules[memory.name]
                            if (a - memory.base) % g or (z - memory.base) % g:
                                continue
                        if (a + block.header) % block.vector_align:
                            continue
                        if at is not None and a != at:
                            continue
                        if block.size is not None and z - a != block.size:
                            continue
                        inside = tuple(s.size for s in sectors[i : j + 1])
                        bounds = {s.address - a for s in sectors[i : j + 1]}
                        flags = [
                            int((z - a) % unit == 0 and all(k in bounds for k in range(0, z - a, unit)))
                            for unit in sector_sizes
                        ]
                        rows.append(
                            (
                                a + number * FAR,
                                z - a,
                                number,
                                max(inside),
                                patterns.setdefault(inside, len(patterns)),
                                *flags,
                            )
                        )
            else:
                unit = max(memory.program_unit, memory.tear_unit)
                extent = block.size if block.size is not None else -(-max(1, least[name]) // unit) * unit
                if block.size is not None and (block.size % unit or block.size < least[name]):
                    continue
                for a in range(low, high, unit):
                    if at is not None and a != at:
                        continue
                    if (a + block.header) % block.vector_align == 0 and a + extent <= high:
                        rows.append((a + number * FAR, extent, number, 0, 0, *(0 for _ in sector_sizes)))
        if not rows:
            return False
        same_sized = any(t.kind is TieKind.SAME_SIZE and name in t.blocks for t in demand.ties)
        columns = [model.new_int_var(0, 1 << 40, f"{name}.{k}") for k in range(5 + len(sector_sizes))]
        if whole or not same_sized or block.size is not None:
            model.add_allowed_assignments(columns, rows)
        else:  # A block of loose size that must equal another: any multiple of the unit from the least size up.
            start_rows = sorted({(r[0], r[2]) for r in rows} | _late_starts(block, chip, least[name], at))
            model.add_allowed_assignments([columns[0], columns[2]], start_rows)
            unit = max(chip.memories[0].program_unit, chip.memories[0].tear_unit)
            steps = model.new_int_var(0, 1 << 30, f"{name}.steps")
            model.add(columns[1] == steps * unit)
            model.add(columns[1] >= least[name])
            for number, memory in enumerate(chip.memories):
                here = model.new_bool_var(f"{name} in {number}")
                model.add(columns[2] == number).only_enforce_if(here)
                model.add(columns[2] != number).only_enforce_if(~here)
                high = memory.end
                if block.bank == 0 and memory.banks == 2:
                    high = memory.base + memory.size // 2
                model.add(columns[0] + columns[1] <= high + number * FAR).only_enforce_if(here)
        start[name], size[name], memory_of[name], largest[name], pattern[name] = columns[:5]
        multiples[name] = dict(zip(sector_sizes, columns[5:], strict=True))
    _no_overlap(model, demand, chip, sectorwise, granules, start, size, memory_of)
    for tie in demand.ties:
        first, *rest = tie.blocks
        if tie.kind in (TieKind.SAME_SIZE, TieKind.SAME_PATTERN):
            for other in rest:
                model.add(size[first] == size[other])
                if tie.kind is TieKind.SAME_PATTERN:
                    model.add(pattern[first] == pattern[other])
        elif tie.kind is TieKind.AT_LEAST_LARGEST_SECTOR:
            for other in rest:
                model.add(size[first] >= largest[other])
        elif tie.kind is TieKind.COMMON_MULTIPLE:
            top = model.new_int_var(0, 1 << 30, "top")
            model.add_max_equality(top, [largest[n] for n in tie.blocks])
            for unit in sector_sizes:
                is_top = model.new_bool_var(f"top is {unit}")
                model.add(top == unit).only_enforce_if(is_top)
                model.add(top != unit).only_enforce_if(~is_top)
                for n in tie.blocks:
                    model.add(multiples[n][unit] == 1).only_enforce_if(is_top)
        else:
            other = rest[0]
            model.add(memory_of[first] == memory_of[other])
            options = []
            for number, memory in enumerate(chip.memories):
                if memory.banks == 2:
                    here = model.new_bool_var(f"pair in {number}")
                    model.add(memory_of[first] == number).only_enforce_if(here)
                    half = memory.size // 2
                    model.add(start[other] == start[first] + half).only_enforce_if(here)
                    model.add(start[first] + size[first] <= memory.base + half + number * FAR).only_enforce_if(here)
                    options.append(here)
            model.add_at_least_one(options)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    if limit_s is not None:
        solver.parameters.max_time_in_seconds = limit_s
    status = solver.solve(model)
    if status == cp_model.UNKNOWN and limit_s is not None:
        return None
    assert status in (cp_model.OPTIMAL, cp_model.FEASIBLE, cp_model.INFEASIBLE)
    return status != cp_model.INFEASIBLE


def _late_starts(block, chip, least, at):
    """All starts of a loose block, memory by memory."""
    found = set()
    for number, memory in enumerate(chip.memories):
        if memory.name not in block.memories:
            continue
        if block.bank is not None and block.bank >= memory.banks:
            continue
        low, high = memory.base, memory.end
        if block.bank is not None and memory.banks == 2:
            middle = memory.base + memory.size // 2
            low, high = (low, middle) if block.bank == 0 else (middle, high)
        unit = max(memory.program_unit, memory.tear_unit)
        for a in range(low, high, unit):
            if (at is None or a == at) and (a + block.header) % block.vector_align == 0 and a + least <= high:
                found.add((a + number * FAR, number))
    return found


def _no_overlap(model, demand, chip, sectorwise, granules, start, size, memory_of):
    """No two blocks share a byte; sectors are shared by loose blocks only, granules by alike protected blocks only."""
    blocks = demand.blocks
    reach = {}
    for block in blocks:
        name = block.name
        whole = block.exclusive or block.min_sectors > 1 or name in sectorwise
        for kind in ("bytes", "sectors", "granule"):
            a, z = model.new_int_var(0, 1 << 40, ""), model.new_int_var(0, 1 << 40, "")
            if kind == "bytes" or (kind == "sectors" and whole):
                model.add(a == start[name])
                model.add(z == start[name] + size[name])
            else:
                outline = []
                for number, memory in enumerate(chip.memories):
                    if kind == "sectors":
                        outline += [(s.address + number * FAR, s.end + number * FAR) for s in memory.sectors()]
                    else:
                        g = granules[memory.name] or 1
                        if g == 1:  # no granule: the bytes themselves
                            here = model.new_bool_var("")
                            model.add(memory_of[name] == number).only_enforce_if(here)
                            model.add(memory_of[name] != number).only_enforce_if(~here)
                            model.add(a == start[name]).only_enforce_if(here)
                            model.add(z == start[name] + size[name]).only_enforce_if(here)
                            continue
                        outline += [
                            (x + number * FAR, min(x + g, memory.end) + number * FAR)
                            for x in range(memory.base, memory.end, g)
                        ]
                first, last = [], []
                for low, high in outline:
                    f, t = model.new_bool_var(""), model.new_bool_var("")
                    first.append(f)
                    last.append(t)
                    model.add(start[name] >= low).only_enforce_if(f)
                    model.add(start[name] < high).only_enforce_if(f)
                    model.add(a == low).only_enforce_if(f)
                    model.add(start[name] + size[name] > low).only_enforce_if(t)
                    model.add(start[name] + size[name] <= high).only_enforce_if(t)
                    model.add(z == high).only_enforce_if(t)
                bare = []
                if kind == "granule":
                    for number, memory in enumerate(chip.memories):
                        if (granules[memory.name] or 1) == 1:
                            b = model.new_bool_var("")
                            model.add(memory_of[name] == number).only_enforce_if(b)
                            bare.append(b)
                model.add_exactly_one(first + bare)
                model.add_exactly_one(last + bare)
            reach[name, kind] = (a, z)
    for i, one in enumerate(blocks):
        for two in blocks[i + 1 :]:
            kinds = ["bytes", "sectors"] if one.exclusive or two.exclusive else ["bytes"]
            whole = [b.exclusive or b.min_sectors > 1 or b.name in sectorwise for b in (one, two)]
            if any(whole):
                kinds = ["bytes", "sectors"]
            if one.write_protect != two.write_protect:
                kinds.append("granule")
            for kind in kinds:
                if kind == "granule":
                    a, z = reach[(one if one.write_protect else two).name, "granule"]
                    b, y = reach[(two if one.write_protect else one).name, "bytes"]
                else:
                    (a, z), (b, y) = reach[one.name, kind], reach[two.name, kind]
                before = model.new_bool_var("")
                model.add(z <= b).only_enforce_if(before)
                model.add(y <= a).only_enforce_if(~before)
