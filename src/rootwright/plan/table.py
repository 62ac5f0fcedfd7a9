"""The figures that tell update procedures apart on one part, all worst case; the manual states the formulas."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import accumulate
from math import ceil

from rootwright.describe.chip import Chip, Memory, MemoryKind, ProtectionKind, Reprogram
from rootwright.describe.product import Attacker, ImageSpec, Procedure, Product
from rootwright.layout.demand import BlockRole, Demand, Wear
from rootwright.layout.map import Map, Misfit, Region
from rootwright.plan.result import Finding, ImageRoom, Row

_SLOTS = (BlockRole.SLOT, BlockRole.STAGING, BlockRole.RECOVERY, BlockRole.BOOT)
_RUNS = (BlockRole.SLOT, BlockRole.RECOVERY, BlockRole.BOOT)
_STORES = (MemoryKind.FLASH, MemoryKind.EXTERNAL)
DAYS_PER_YEAR = 365.25
FLIPS_PER_UPDATE = 2
"""A new image's bank is mapped low, and the one before again where its trial fails."""


def make_row(demand: Demand, outcome: Map | Misfit, product: Product, sizes: Mapping[str, int]) -> Row:
    """Return the figures of one procedure.

    Args:
        demand: What the procedure asks.
        outcome: Its map, or why there is none (then the figures that need a map are empty).
        product: Fleet, keys and part.
        sizes: Bytes per image, header and trailer left out.
    """
    chip, traits = product.chip, demand.traits
    plan = outcome if isinstance(outcome, Map) else None
    install, gap = (None, "") if plan is None else install_time(demand, plan, product)
    longest, what = (0.0, "") if plan is None else longest_operation(demand, plan, chip)
    worn = ("", 0.0, None) if plan is None else most_worn(demand, plan, product)
    return Row(
        procedure=traits.name,
        title=traits.title,
        fits=plan is not None,
        reason="" if isinstance(outcome, Map) else outcome.reason,
        images_kept=traits.images_kept,
        copies=traits.copies,
        way_back=traits.way_back,
        runs_from=traits.runs_from,
        survives_interrupted_download=traits.survives_interrupted_download,
        downtime=traits.downtime,
        rooms=() if plan is None else image_rooms(plan, product, sizes),
        install_s=install,
        install_gap=gap,
        longest_operation_s=longest,
        longest_operation=what,
        worn_block=worn[0],
        worn_erases=worn[1],
        worn_years=worn[2],
        ram=demand.ram,
        free=0 if plan is None else _free_bytes(plan, chip),
    )


def image_rooms(plan: Map, product: Product, sizes: Mapping[str, int]) -> tuple[ImageRoom, ...]:
    """Return, for each image with a slot, the largest image that all its slots hold."""
    rooms = []
    for image in product.images:
        slots = [r.size for r in plan.regions if r.image == image.name and r.role in _SLOTS]
        if not slots:
            continue
        around = image.around_bytes
        allowed = ceil(round((sizes[image.name] + around) * (1 + image.growth), 6)) - around
        rooms.append(ImageRoom(image.name, sizes[image.name], min(slots) - around, allowed))
    return tuple(rooms)


def erase_time(memory: Memory, size: int) -> float:
    """Return the most seconds that erasing one sector of `size` bytes takes; 0 where nothing needs erasing.

    The erase command of exactly this size counts, else the smallest larger one, else several of the largest.
    """
    if memory.erased is None or not memory.erases:
        return 0.0
    fitting = [e for e in memory.erases if e.size >= size]
    if fitting:
        return min(fitting, key=lambda e: e.size).time.max_s
    largest = max(memory.erases, key=lambda e: e.size)
    return ceil(size / largest.size) * largest.time.max_s


def program_time(memory: Memory, size: int) -> float:
    """Return the most seconds that programming `size` bytes takes."""
    return ceil(size / memory.program_unit) * memory.program.max_s


def install_time(demand: Demand, plan: Map, product: Product) -> tuple[float | None, str]:
    """Return the most seconds an install takes, and what speed is missing where it cannot be said.

    Erases and programs of every sector of every block as the demand counts them, plus digests over full slots, plus
    signature checks with the slowest of the product's keys.
    """
    chip = product.chip
    seconds = 0.0
    for wear in demand.wear:
        region = _find(plan, wear.block)
        if region is None:
            continue
        memory = chip.memory(region.memory)
        for size, units in _work(wear, region, plan, chip):
            seconds += units * wear.install_erases * erase_time(memory, size)
            seconds += units * wear.install_writes * program_time(memory, size)
    images = {r.image: r.size for r in reversed(plan.regions) if r.role is BlockRole.SLOT and r.image is not None}
    seconds += demand.digests * sum(images.values()) / 1024 * chip.crypto.sha256_per_kib.max_s
    if demand.verifies:
        times = [(key.algorithm, chip.crypto.verify_time(key.algorithm)) for key in product.keys]
        missing = [name for name, time in times if time is None]
        if missing:
            return None, f"{chip.name} states no verification time for {missing[0]}"
        seconds += demand.verifies * max((time.max_s for _, time in times if time is not None), default=0.0)
    return seconds, ""


def _work(wear: Wear, region: Region, plan: Map, chip: Chip) -> list[tuple[int, float]]:
    """Return (sector size, number of sectors) that one unit of `erases` or `writes` touches in `region`."""
    own = _sector_sizes(region, chip)
    if not wear.per_sector_of:
        return [(size, float(count)) for size, count in own.items()]
    largest = max(own)
    moved = 0
    for name in wear.per_sector_of:
        other = _find(plan, name)
        if other is not None:
            moved += sum(count * ceil(size / largest) for size, count in _sector_sizes(other, chip).items())
    return [(largest, float(moved))]


def _sector_sizes(region: Region, chip: Chip) -> dict[int, int]:
    """Return how many sectors of each size a region touches."""
    found: dict[int, int] = {}
    first, last = region.first_sector, region.first_sector + region.sectors
    passed = 0
    for run in chip.memory(region.memory).runs:
        count = min(last, passed + run.count) - max(first, passed)
        if count > 0:
            found[run.size] = found.get(run.size, 0) + count
        passed += run.count
    return found


def _find(plan: Map, block: str) -> Region | None:
    return next((region for region in plan.regions if region.block == block), None)


def longest_operation(demand: Demand, plan: Map, chip: Chip) -> tuple[float, str]:
    """Return the most seconds of one flash operation that updating needs, and its name.

    One sector is erased, or one unit programmed, at a time; larger erase commands are not assumed.
    """
    best = (0.0, "")
    for wear in demand.wear:
        region = _find(plan, wear.block)
        if region is None:
            continue
        memory = chip.memory(region.memory)
        for size in sorted(_sector_sizes(region, chip)):
            for seconds, what in (
                (erase_time(memory, size), f"erase of {size} bytes in {memory.name}"),
                (memory.program.max_s, f"program of {memory.program_unit} bytes in {memory.name}"),
            ):
                if seconds > best[0]:
                    best = (seconds, what)
    return best


def most_worn(demand: Demand, plan: Map, product: Product) -> tuple[str, float, float | None]:
    """Return the block that reaches its endurance first, erases of its sectors per update, and years until then."""
    best: tuple[str, float, float | None] = ("", 0.0, None)
    for wear in demand.wear:
        region = _find(plan, wear.block)
        if region is None:
            continue
        memory = product.chip.memory(region.memory)
        erases = wear.erases
        if wear.per_sector_of:
            erases *= sum(units for _, units in _work(wear, region, plan, product.chip)) / region.sectors
        if not memory.endurance or not erases or not product.fleet.updates_per_year:
            continue
        years = memory.endurance / (erases * product.fleet.updates_per_year)
        if best[2] is None or years < best[2]:
            best = (wear.block, erases, years)
    return best


def _free_bytes(plan: Map, chip: Chip) -> int:
    total = sum(memory.size for memory in chip.memories if memory.kind in _STORES)
    stored = {memory.name for memory in chip.memories if memory.kind in _STORES}
    return total - sum(region.size for region in plan.regions if region.memory in stored)


# -- findings ----------------------------------------------------------------------------------------------------------


def find_limits(demand: Demand, outcome: Map | Misfit, row: Row, product: Product) -> tuple[Finding, ...]:
    """Return what breaks a limit when the product is updated this way, and notes on what it rests on."""
    found: list[Finding] = []
    if isinstance(outcome, Misfit):
        step = "choose another procedure or part"
        if any(b.at is not None or b.size is not None for b in demand.blocks) and not demand.impossible:
            step = "move or take out pins, or choose another procedure or part"
        if outcome.shrink_block is not None:
            image = demand.block(outcome.shrink_block).image
            what = outcome.shrink_block if image is None else f"image {image!r}"
            step = (
                f"take {outcome.shrink_bytes} bytes from {what} or its growth allowance, or choose another procedure "
                "or part"
            )
        return (Finding("plan.fit", outcome.block, outcome.reason, step),)
    watchdog = product.update.watchdog_s
    if watchdog is not None and row.longest_operation_s >= watchdog:
        found.append(
            Finding(
                "plan.watchdog",
                "",
                f"the watchdog resets after {watchdog:g} s, one flash operation ({row.longest_operation}) takes up to "
                f"{row.longest_operation_s:g} s",
                "lengthen the watchdog period in the boot stage, or erase in smaller pieces",
            )
        )
    if row.worn_years is not None and row.worn_years < product.fleet.life_years:
        found.append(
            Finding(
                "plan.endurance",
                row.worn_block,
                f"{row.worn_block} reaches its endurance after {row.worn_years:.1f} years, the fleet lives "
                f"{product.fleet.life_years:g}",
                "update less often, give the block more sectors, or choose a procedure that erases less",
            )
        )
    found += _settings_findings(demand, product)
    ram = sum(memory.size for memory in product.chip.memories if memory.kind is MemoryKind.RAM)
    if ram and demand.ram > ram:
        found.append(
            Finding("plan.ram", "", f"the boot stage needs {demand.ram} bytes of RAM, the part has {ram}", "use less")
        )
    found += _reprogram_findings(demand, outcome, product.chip)
    found += _protection_findings(demand, outcome, product.chip)
    found += _group_findings(demand, outcome, product.chip)
    found += _cache_notes(outcome, product.chip)
    found += _read_notes(outcome, product)
    if row.install_gap:
        found.append(Finding("plan.speed", "", row.install_gap, "add it to the chip file's crypto table", note=True))
    if not product.chip.vector_table_relocatable:
        names = [r.block for r in outcome.regions if r.role in (BlockRole.SLOT, BlockRole.RECOVERY)]
        found.append(
            Finding(
                "plan.vectors",
                names[0] if names else "",
                f"the vector table of {product.chip.name} stays at 0x{product.chip.reset_address:X}, where the boot "
                f"stage is: interrupts of {', '.join(names)} reach the boot stage's table",
                "let the boot stage's handlers jump through a table in RAM that the image fills before it enables "
                "interrupts",
                note=True,
            )
        )
    return tuple(found)


def _protection_findings(demand: Demand, plan: Map, chip: Chip) -> list[Finding]:
    """Compare the separate protected stretches with the number the part can hold."""
    found = []
    for memory in chip.memories:
        protected = [r for r in plan.regions if r.memory == memory.name and demand.block(r.block).write_protect]
        ways = chip.find_protections(ProtectionKind.WRITE_PROTECTION, memory.name)
        if not protected or not ways or any(not way.regions for way in ways):
            continue
        stretches, end = 0, -1
        for region in protected:
            stretches += region.address > end
            end = region.end
        most = max(way.regions for way in ways)
        if stretches > most:
            found.append(
                Finding(
                    "plan.protected-regions",
                    protected[0].block,
                    f"{stretches} separate stretches of {memory.name} are protected, the part holds {most}",
                    "pin the protected blocks side by side",
                )
            )
    return found


def _reprogram_findings(demand: Demand, plan: Map, chip: Chip) -> list[Finding]:
    """Return a finding for each block whose units the procedure programs more often than its memory takes."""
    found = []
    for name, times in demand.programs:
        region = _find(plan, name)
        if region is None or chip.memory(region.memory).erased is None:
            continue
        memory = chip.memory(region.memory)
        most = {Reprogram.NEVER: 1, Reprogram.ZEROS_ONLY: 2, Reprogram.TIMES: memory.reprogram_times}
        if times > most.get(memory.reprogram, times):
            taken = most[memory.reprogram]
            found.append(
                Finding(
                    "plan.reprogram",
                    name,
                    f"{demand.traits.name} programs a unit of {name} {times} times between two erases, {memory.name} "
                    f"takes {taken} (reprogram = {memory.reprogram.value!r})",
                    "give each mark a unit of its own, or pin the block into a memory that can be programmed again",
                )
            )
    return found


def _read_notes(plan: Map, product: Product) -> list[Finding]:
    """Return a note where the version floor lies in words that can be read only so often: every start reads it."""
    found = []
    for region in plan.regions:
        limit = product.chip.memory(region.memory).read_limit
        if region.role is BlockRole.FLOOR and limit:
            days = limit / (product.fleet.life_years * DAYS_PER_YEAR)
            found.append(
                Finding(
                    "plan.read-limit",
                    region.block,
                    f"{region.memory} can be read {limit:,} times, which is {days:.1f} starts a day for "
                    f"{product.fleet.life_years:g} years where each reads the floor once",
                    "read the floor once a start and keep it in RAM; a device that starts over and over must slow down",
                    note=days >= 1,
                )
            )
            if Attacker.EXPLOITED_APPLICATION in product.attackers:
                found.append(
                    Finding(
                        "plan.read-limit",
                        region.block,
                        f"an exploited application can read {region.memory} {limit:,} times in a loop, after which the "
                        "floor is lost: write protection does not keep it from reading",
                        "keep the words out of the application's reach where the part can, or count versions in flash",
                        note=True,
                    )
                )
    return found


def _settings_findings(demand: Demand, product: Product) -> list[Finding]:
    """Return a finding where flips wear the settings area out: two for each update, one there and one back."""
    if demand.traits.name != Procedure.BANK_FLIP or not product.fleet.updates_per_year:
        return []
    areas = [m for m in product.chip.memories if m.kind is MemoryKind.SETTINGS and m.endurance]
    found = []
    for area in areas:
        years = area.endurance / (FLIPS_PER_UPDATE * product.fleet.updates_per_year)
        if years < product.fleet.life_years:
            found.append(
                Finding(
                    "plan.endurance",
                    "",
                    f"the settings area {area.name} reaches its endurance of {area.endurance} after {years:.1f} years "
                    f"of flips, the fleet lives {product.fleet.life_years:g}",
                    "update less often, or choose a procedure that does not flip banks",
                )
            )
    return found


def _group_findings(demand: Demand, plan: Map, chip: Chip) -> list[Finding]:
    """Return the protected blocks that do not fill the groups in which a part protects sectors."""
    found = []
    for memory in chip.memories:
        ways = chip.find_protections(ProtectionKind.WRITE_PROTECTION, memory.name)
        if not ways or not all(way.groups for way in ways):
            continue
        edges = {memory.base + edge for way in ways for edge in (0, *accumulate(way.groups))}
        inside = [r for r in plan.regions if r.memory == memory.name]
        closed = [r for r in inside if demand.block(r.block).write_protect]
        for region in closed:
            low = max(edge for edge in edges if edge <= region.address)
            high = min(edge for edge in edges if edge >= region.end)
            others = [r.block for r in inside if r not in closed and r.address < high and low < r.end]
            if others:
                found.append(
                    Finding(
                        "plan.protected-groups",
                        region.block,
                        f"{region.block} is protected in a group from 0x{low:X} to 0x{high - 1:X}, which also closes "
                        f"{', '.join(others)}",
                        "pin the protected blocks to whole groups of sectors",
                    )
                )
    return found


def _cache_notes(plan: Map, chip: Chip) -> list[Finding]:
    """Return a note for each memory whose code runs through a cache that is stale until invalidated."""
    found = []
    for memory in chip.memories:
        stale = [memory.name] if memory.cached else []
        stale += [view.name for view in chip.views if view.memory == memory.name and view.cached and view.executes]
        images = [r.block for r in plan.regions if r.memory == memory.name and r.role in _RUNS]
        if stale and images:
            found.append(
                Finding(
                    "plan.stale-reads",
                    images[0],
                    f"reads of {memory.name} through {', '.join(stale)} are stale until the cache is invalidated: a "
                    "digest taken another way is of other bytes than those that run",
                    "let the boot stage invalidate the cache, then digest through the addresses from which the image "
                    "runs",
                    note=True,
                )
            )
    return found


def find_link_mismatches(
    plan: Map, product: Product, links: Sequence[tuple[str, str, int, int]]
) -> tuple[Finding, ...]:
    """Return the files that are not linked for the place the plan gives them.

    Args:
        plan: The map of the product's own procedure.
        product: Headers and trailers per image.
        links: (block, file, start, end) for each file whose addresses are known.
    """
    found = []
    for block, file, start, end in links:
        region = _find(plan, block)
        if region is None or region.image is None:
            continue
        spec: ImageSpec = product.image(region.image)
        code = product.link_address(spec.name, region.address) + spec.header_bytes
        if start != code:
            found.append(
                Finding(
                    "plan.link",
                    block,
                    f"{file} is linked for 0x{start:X}, the plan puts its code at 0x{code:X} (slot at "
                    f"0x{region.address:X})",
                    f"link it for 0x{code:X}, or pin {block} at 0x{max(0, start - spec.header_bytes):X}",
                )
            )
        elif end > code - spec.header_bytes + region.size - spec.trailer_bytes:
            found.append(
                Finding("plan.link", block, f"{file} ends at 0x{end:X}, behind its slot", "make the slot larger")
            )
    return tuple(found)
