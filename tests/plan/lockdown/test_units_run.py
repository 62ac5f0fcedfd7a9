"""Every access inside and just outside each region faults or passes as planned, on emulated units.

The settings go the whole way: claims, register values, exported C, compiler, emulator. What must happen is worked out
here from the claims alone.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from pathlib import Path

import emulator
import pytest
from emulator import ARMV7M, ARMV8M, ARMV8M_SIDES, RV32, RV32_ENHANCED, Machine, Probe

from rootwright.describe.chip import Lock, Protection, ProtectionKind
from rootwright.describe.lock_field import ProtectionUnit
from rootwright.errors import PlanError
from rootwright.plan.lockdown.rights import Claim, Rights, Store
from rootwright.plan.lockdown.spans import Span
from rootwright.plan.lockdown.units import sau_settings, unit_settings

pytestmark = [pytest.mark.slow, pytest.mark.firmware]

CODE, DATA = Rights("r", "r", execute=True), Rights("rw", "rw")
KINDS = "rwx"


def may(rights: Rights, kind: str, *, unprivileged: bool) -> bool:
    held = rights.unprivileged if unprivileged else rights.privileged
    return rights.execute and "r" in held if kind == "x" else kind in held


def probes_of(claims: Sequence[Claim], *, privileged_default: bool, around: Sequence[Claim]) -> list[Probe]:
    """Every kind of access by both modes at each edge of each claim, inside and outside, and in its middle."""
    places = set()
    for claim in claims:
        middle = (claim.span.start + claim.span.size // 2) & ~3
        places |= {claim.span.start - 4, claim.span.start, middle, claim.span.end - 4, claim.span.end}
    found = []
    for address in sorted(places):
        hit = [c for c in (*claims, *around) if c.span.start <= address < c.span.end]
        for kind in KINDS:
            for user in (False, True):
                passes = may(hit[-1].rights, kind, unprivileged=user) if hit else privileged_default and not user
                found.append(Probe(address, kind, user, passes))
    return found


def expect(machine: Machine, settings: Sequence, probes: Sequence[Probe], folder: Path) -> None:  # type: ignore[type-arg]
    answers = emulator.run(machine, settings, probes, folder)
    wrong = [(hex(p.address), p) for p, passed in zip(probes, answers, strict=True) if passed != p.passes]
    assert not wrong, wrong
    assert {p.passes for p in probes} == {True, False}


def protection(unit: ProtectionUnit, *, regions: int = 8, lock: Lock = Lock.NONE) -> Protection:
    kind = ProtectionKind.PROTECTION_UNIT
    if unit in (ProtectionUnit.PMP, ProtectionUnit.SMEPMP):
        kind = ProtectionKind.PHYSICAL_MEMORY_PROTECTION
    return Protection(kind, regions=regions, lock=lock, name="unit", unit=unit)


def drawn(dice: random.Random, base: int, step: int, rights: Sequence[Rights], most: int, room: int) -> list[Claim]:
    cuts = sorted(dice.sample(range(1, room), 2 * most))
    return [
        Claim(f"c{n}", Span(base + step * a, base + step * b), dice.choice(rights), Store.RAM)
        for n, (a, b) in enumerate(zip(cuts[::2], cuts[1::2], strict=True))
    ]


@pytest.mark.parametrize("seed", range(4))
def test_armv7m(seed: int, tmp_path: Path) -> None:
    dice = random.Random(seed)
    rights = [CODE, DATA, Rights("rw", ""), Rights("rw", "r"), Rights("r", ""), Rights("", "")]
    stack = Claim("stack", Span(0x2000_0000, 0x2000_8000), DATA, Store.RAM)
    unit = protection(ProtectionUnit.PMSAV7)
    while True:
        claims = drawn(dice, 0x0010_0000, 32, rights, 3, 4096)
        try:
            settings = unit_settings(unit, [stack, *claims], lock=False)
            break
        except PlanError as error:
            assert "regions are needed" in str(error)  # noqa: PT017
    expect(ARMV7M, settings, probes_of(claims, privileged_default=True, around=[stack]), tmp_path)


def test_armv7m_with_a_hole_punched_by_a_later_claim(tmp_path: Path) -> None:
    claims = [
        Claim("stack", Span(0x2000_0000, 0x2000_8000), DATA, Store.RAM),
        Claim("run:application", Span(0x0011_8000, 0x0013_8000), CODE, Store.FLASH),
        Claim("run:radio", Span(0x0013_8000, 0x0014_8000), CODE, Store.FLASH),
        Claim("devices", Span(0x2010_0000, 0x2018_0000), DATA, Store.RAM),
        Claim("flash controller", Span(0x2012_0000, 0x2012_0400), Rights("rw", ""), Store.RAM),
    ]
    settings = unit_settings(protection(ProtectionUnit.PMSAV7), claims, lock=False)
    probes = probes_of(claims[1:], privileged_default=True, around=claims[:1])
    # A later claim decides: what it names is not what the claim below says.
    assert any(p.address == 0x2012_0000 and p.unprivileged and not p.passes for p in probes)
    expect(ARMV7M, settings, probes, tmp_path)


@pytest.mark.parametrize("seed", range(4))
def test_armv8m(seed: int, tmp_path: Path) -> None:
    dice = random.Random(100 + seed)
    rights = [CODE, DATA, Rights("rw", ""), Rights("r", ""), Rights("r", "r")]
    stack = Claim("stack", Span(0x3820_0000, 0x3820_8000), DATA, Store.RAM)
    claims = drawn(dice, 0x1010_0000, 32, rights, 5, 4096)
    settings = unit_settings(protection(ProtectionUnit.PMSAV8), [stack, *claims], lock=False)
    expect(ARMV8M, settings, probes_of(claims, privileged_default=True, around=[stack]), tmp_path)


@pytest.mark.parametrize("seed", range(2))
def test_armv8m_attribution(seed: int, tmp_path: Path) -> None:
    dice = random.Random(200 + seed)
    cuts = sorted(dice.sample(range(0x800, 0x8000), 8))
    spans = [Span(0x2800_0000 + 32 * a, 0x2800_0000 + 32 * b) for a, b in zip(cuts[::2], cuts[1::2], strict=True)]
    settings = sau_settings(protection(ProtectionUnit.PMSAV8), [Span(0x2800_0000, 0x2800_1000), *spans])
    places = {a for s in spans for a in (s.start - 4, s.start, (s.start + s.size // 2) & ~3, s.end - 4, s.end)}
    probes = [
        Probe(at, kind, False, any(s.start <= at < s.end for s in spans)) for at in sorted(places) for kind in KINDS
    ]
    expect(ARMV8M_SIDES, settings, probes, tmp_path)


def test_attribution_alone_does_not_set_a_memory_s_security(tmp_path: Path) -> None:
    """The same label over the same word: the non-secure side reads it only where the memory's own gate is open too."""
    spans = [Span(0x2800_0000, 0x2800_1000), Span(0x2830_0000, 0x2830_0100)]
    settings = sau_settings(protection(ProtectionUnit.PMSAV8), spans)
    probes = [Probe(0x2830_0000, "r", False, True)]
    for gate, letter in (((), "f"), (("OPEN_BEHIND",), "p")):
        folder = tmp_path / letter
        folder.mkdir()
        assert emulator.run_letters(ARMV8M_SIDES, settings, probes, folder, defines=gate) == letter


@pytest.mark.parametrize("seed", range(4))
def test_rv32_without_lock_binds_user_mode_alone(seed: int, tmp_path: Path) -> None:
    dice = random.Random(300 + seed)
    claims = drawn(dice, 0x8010_0000, 4, [CODE, DATA, Rights("", "r"), Rights("", "")], 5, 4096)
    settings = unit_settings(protection(ProtectionUnit.PMP, regions=16), claims, lock=False)
    probes = probes_of(claims, privileged_default=True, around=[])
    # An entry without the lock bit binds no machine-mode code, whatever it says.
    probes = [p if p.unprivileged else Probe(p.address, p.kind, False, True) for p in probes]
    expect(RV32, settings, probes, tmp_path)


@pytest.mark.parametrize("seed", range(4))
def test_rv32_locked_binds_every_mode(seed: int, tmp_path: Path) -> None:
    dice = random.Random(400 + seed)
    claims = drawn(dice, 0x8010_0000, 4, [CODE, DATA, Rights("r", "r"), Rights("", "")], 5, 4096)
    unit = protection(ProtectionUnit.PMP, regions=16, lock=Lock.UNTIL_RESET)
    settings = unit_settings(unit, claims, lock=True)
    expect(RV32, settings, probes_of(claims, privileged_default=True, around=[]), tmp_path)


def test_rv32_with_the_enhanced_unit_closes_what_no_entry_names(tmp_path: Path) -> None:
    around = [
        Claim("own code", Span(0x8000_0000, 0x8001_0000), Rights("r", "", execute=True), Store.FLASH),
        Claim("own RAM", Span(0x8001_0000, 0x8001_8000), Rights("rw", ""), Store.RAM),
        Claim("serial line", Span(0x1000_0000, 0x1000_1000), Rights("rw", ""), Store.DEVICE),
        Claim("power switch", Span(0x0010_0000, 0x0010_1000), Rights("rw", ""), Store.DEVICE),
    ]
    claims = [
        Claim("application", Span(0x8010_0000, 0x8010_4000), Rights("", "r", execute=True), Store.FLASH),
        Claim("its RAM", Span(0x8010_8000, 0x8010_9234), Rights("", "rw"), Store.RAM),
        Claim("boot secrets", Span(0x8010_A000, 0x8010_A100), Rights("r", ""), Store.FLASH),
    ]
    unit = protection(ProtectionUnit.SMEPMP, regions=16, lock=Lock.UNTIL_RESET)
    settings = unit_settings(unit, [*around, *claims], lock=True)
    expect(RV32_ENHANCED, settings, probes_of(claims, privileged_default=False, around=around), tmp_path)


def test_a_wrong_setting_is_noticed(tmp_path: Path) -> None:
    """The probe can fail: one bit in one register is enough."""
    from dataclasses import replace

    stack = Claim("stack", Span(0x2000_0000, 0x2000_8000), DATA, Store.RAM)
    claim = Claim("code", Span(0x0010_0000, 0x0010_4000), CODE, Store.FLASH)
    settings = unit_settings(protection(ProtectionUnit.PMSAV7), [stack, claim], lock=False)
    probes = probes_of([claim], privileged_default=True, around=[stack])
    index = next(n for n, s in enumerate(settings) if s.name.startswith("MPU_RASR") and s.says.startswith("code:"))
    bent = [*settings]
    bent[index] = replace(bent[index], value=bent[index].value ^ 1 << 28)
    answers = emulator.run(ARMV7M, bent, probes, tmp_path)
    wrong = {p.kind for p, passed in zip(probes, answers, strict=True) if passed != p.passes}
    assert wrong == {"x"}


def test_the_demo_s_own_plan_fences_its_application(repository: Path, tmp_path: Path) -> None:
    """The whole way from product.toml: with an application declared unprivileged, each block is as its role says."""
    from dataclasses import replace

    from rootwright.describe.loading import load_product
    from rootwright.layout.demand import BlockRole
    from rootwright.pipeline import lock_down, plan_product

    file = repository / "demo" / "river-gauge" / "product.toml"
    product = replace(load_product(file), unprivileged=True)
    planned = plan_product(product, file.parent)
    settings = [s for s in lock_down(product, planned).settings if s.name.startswith("MPU")]
    map_ = planned.plan.map
    assert map_ is not None
    assert settings
    slots, data = (BlockRole.SLOT,), (BlockRole.STAGING, BlockRole.REQUESTS, BlockRole.KEEP)
    edges = {a for r in map_.regions if r.block != "boot" for a in (r.address, r.end - 4, r.end)}
    probes = []
    for address in sorted(edges):
        role = next((r.role for r in map_.regions if r.address <= address < r.end), None)
        for kind in KINDS:
            readable = role in (*slots, *data)
            user = (kind == "r" and readable) or (kind == "x" and role in slots)
            # Privileged code has the default map where no region says otherwise; a region's execute-never binds it too.
            privileged = user if readable else True
            probes += [Probe(address, kind, True, user), Probe(address, kind, False, privileged)]
    ram = [Probe(0x2001_7FFC, "w", True, True), Probe(0x2001_8000, "w", True, False)]
    expect(ARMV7M, settings, [*probes, *ram], tmp_path)


@pytest.mark.parametrize("unprivileged", [False, True])
@pytest.mark.parametrize("unit", [ProtectionUnit.PMP, ProtectionUnit.SMEPMP])
def test_a_locked_plan_binds_machine_mode(unit: ProtectionUnit, unprivileged: bool, tmp_path: Path) -> None:
    """A product's own lock-down on RV32, on a part whose memories lie where the emulated machine has RAM."""
    from dataclasses import replace

    from products import locked, mapped, starter

    from rootwright.describe.chip import MemoryKind
    from rootwright.describe.loading import load_chip
    from rootwright.layout.demand import BlockRole

    part = load_chip("rv32-pmp")
    base = {MemoryKind.FLASH: 0x8010_0000, MemoryKind.RAM: 0x8000_0000}  # the RAM holds the probe as well
    memories = tuple(replace(m, base=base[m.kind]) for m in part.memories)
    protections = tuple(replace(p, unit=unit) if p.unit is not None else p for p in part.protections)
    part = replace(part, memories=memories, protections=protections, reset_address=0x8010_0000)
    product = starter(part, secret=("keys",), unprivileged=unprivileged)
    map_, _ = mapped(product)
    settings = [s for s in locked(product).settings if s.number is not None]
    assert settings
    enhanced = unit is ProtectionUnit.SMEPMP
    if enhanced:
        # With Smepmp machine mode runs only what a locked entry lets it run, so the probe needs one for itself.
        own = Claim("probe", Span(0x8000_0000, 0x8001_0000), Rights("r", "", execute=True), Store.FLASH)
        from rootwright.plan.lockdown.claims import locked_claims

        claims = [c for c in locked_claims(product, map_, 4, unit) if c.store is not Store.RAM]
        ram = Claim(
            "ram", Span(0x8001_0000, 0x8002_0000), Rights("rw", "rw" if unprivileged else ""), Store.RAM, loose=True
        )
        (pmp_unit,) = [p for p in part.protections if p.unit is unit]
        settings = list(unit_settings(pmp_unit, [own, ram, *claims], lock=True))
    probes = []
    for address in sorted({a for r in map_.regions for a in (r.address, r.end - 4, r.end)}):
        region = next((r for r in map_.regions if r.address <= address < r.end), None)
        role = None if region is None else region.role
        secret = region is not None and region.block == "keys"
        code = role in (BlockRole.BOOT, BlockRole.SLOT)
        record = role is BlockRole.FLOOR
        data = role in (BlockRole.STAGING, BlockRole.REQUESTS, BlockRole.KEEP)
        theirs = unprivileged and role is BlockRole.SLOT
        for kind in KINDS:
            if secret:
                machine, user = False, False
            elif code:
                passes = kind in "rx"
                machine = passes and not (enhanced and theirs)
                user = passes and (theirs if enhanced else True)
            elif record:
                machine, user = kind == "r", kind == "r" and not enhanced
            else:
                # No locked entry: machine mode reads and writes; it runs there only without Smepmp.
                closed = enhanced and data and unprivileged
                machine = not closed and not (enhanced and kind == "x")
                user = data and unprivileged and kind == "r"
            probes += [Probe(address, kind, False, machine), Probe(address, kind, True, user)]
    expect(RV32_ENHANCED if enhanced else RV32, settings, probes, tmp_path)
