"""What product.toml's `[bench]` tables must satisfy beyond their single fields."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from rootwright.describe.bench import Deed, UnlockLasts
from rootwright.describe.bench_file import BenchForm, ControllerForm, HookForm, RuleForm
from rootwright.describe.chip import Chip, MemoryKind
from rootwright.describe.problems import Fault, KeyPath, did_you_mean, listed, shown

DIGESTS = ("SHA-256", "SHA-384", "SHA-512")
SIGNATURES = ("ESP256", "Ed25519")

_NEEDS: dict[Deed, tuple[tuple[str, ...], ...]] = {
    Deed.ERASE: (("target",),),
    Deed.PROGRAM: (("target",), ("source",), ("length", "size")),
    Deed.READ: (("target",), ("into",), ("length", "size")),
    Deed.DIGEST: (("source",), ("into",), ("length", "size")),
    Deed.VERIFY: (("source",), ("key",), ("signature",)),
    Deed.RUN: (("target",),),
}


def bench_checks(bench: BenchForm, chip: Chip | None, folder: Path | None) -> list[Iterator[Fault]]:
    """Return the checks of all bench tables, each to be run on its own."""
    checks: list[Iterator[Fault]] = []
    for index, hook in enumerate(bench.hook):
        checks.append(_hook(("bench", "hook", index), hook))
    for index, controller in enumerate(bench.controller):
        checks.append(_controller(("bench", "controller", index), controller, chip))
    for index, rule in enumerate(bench.rule):
        checks.append(_rule(("bench", "rule", index), rule))
    for index, log in enumerate(bench.log):
        checks.append(log.faults(("bench", "log", index)))
    if bench.application is not None:
        checks.append(bench.application.faults(bench.log))
    checks += [_names(bench), _staged(bench), _boots(bench)]
    if folder is not None:
        checks.append(_files(bench, folder))
    return checks


def _hook(path: KeyPath, hook: HookForm) -> Iterator[Fault]:
    ways = [word for word in ("symbol", "table") if getattr(hook, word)]
    ways += ["address"] if hook.address is not None else []
    if len(ways) != 1:
        found = " and ".join(ways) or "nothing"
        yield Fault(path, f"{found} to find the function by", "exactly one of symbol, address, table")
    for options in _NEEDS.get(hook.does, ()):
        if not any(getattr(hook, word) > (0 if word == "size" else -1) for word in options):
            words = " or ".join(options)
            yield Fault(path, f"no {words}", f"{words} for a function that does {shown(hook.does.value)}")
    known = {Deed.DIGEST: DIGESTS, Deed.VERIFY: SIGNATURES}.get(hook.does)
    if known and hook.algorithm not in known:
        suggestion = did_you_mean(hook.algorithm, known)
        yield Fault((*path, "algorithm"), shown(hook.algorithm), f"one of {listed(known)}", suggestion)


def _controller(path: KeyPath, controller: ControllerForm, chip: Chip | None) -> Iterator[Fault]:
    if chip is not None:
        names = [m.name for m in chip.memories if m.kind is not MemoryKind.RAM]
        if controller.memory not in names:
            suggestion = did_you_mean(controller.memory, names)
            expected = f"a memory of the part that keeps its content: {listed(names)}"
            yield Fault((*path, "memory"), shown(controller.memory), expected, suggestion)
    if controller.address < 0 and not controller.stores:
        yield Fault(path, "no address and no stores", "the offset of the address register, or stores = true")
    if controller.data < 0 and not controller.stores:
        yield Fault(path, "no data and no stores", "the offset of the data registers, or stores = true")
    if controller.unlock_lasts is UnlockLasts.COMMAND and not controller.unlock:
        yield Fault((*path, "unlock_lasts"), "no unlock sequence", "the writes of `unlock`")
    for word in ("busy", "undecodable"):
        bits = getattr(controller, word)
        if bits is not None and bits.mask == 0:
            yield Fault((*path, word, "mask"), "0", f"the {word} bits of that register")
    if chip is not None and controller.memory in {m.name for m in chip.memories}:
        memory = chip.memory(controller.memory)
        if controller.lock is not None and not memory.lock_unit:
            yield Fault((*path, "lock"), "a memory without `lock_unit`", "one-time words that the part can lock")
        sizes = {erase.size for erase in memory.erases}
        for index, item in enumerate(controller.larger):
            if item.size not in sizes:
                yield Fault(
                    (*path, "larger", index, "size"), f"{item.size} bytes", f"an erase command of {controller.memory}"
                )


def _rule(path: KeyPath, rule: RuleForm) -> Iterator[Fault]:
    if rule.causes and len(rule.causes) != 3:
        yield Fault(
            (*path, "causes"), f"{len(rule.causes)} values", "three: after power-up, watchdog and software reset"
        )
    if rule.at % 4 or rule.size % 4 or not rule.size:
        yield Fault((*path, "at"), f"0x{rule.at:x}, {rule.size} bytes", "whole aligned words of four bytes")


def _names(bench: BenchForm) -> Iterator[Fault]:
    for table in ("run", "approved", "controller", "secret", "log"):
        seen: set[str] = set()
        for index, item in enumerate(getattr(bench, table)):
            if item.name in seen:
                yield Fault(("bench", table, index, "name"), f"{shown(item.name)} a second time", "a different name")
            seen.add(item.name)


def _staged(bench: BenchForm) -> Iterator[Fault]:
    names = [run.name for run in bench.run]
    if bench.staged is not None and bench.staged.run not in names:
        suggestion = did_you_mean(bench.staged.run, names)
        yield Fault(("bench", "staged", "run"), shown(bench.staged.run), f"a run: {listed(names)}", suggestion)


def _boots(bench: BenchForm) -> Iterator[Fault]:
    names = [item.name for item in bench.approved]
    for index, run in enumerate(bench.run):
        if run.boots and names and run.boots not in names:
            suggestion = did_you_mean(run.boots, names)
            expected = f"an approved image: {listed(names)}"
            yield Fault(("bench", "run", index, "boots"), shown(run.boots), expected, suggestion)


def _files(bench: BenchForm, folder: Path) -> Iterator[Fault]:
    named = [(("bench", "run", i, "flash", j), f) for i, run in enumerate(bench.run) for j, f in enumerate(run.flash)]
    named += [(("bench", "approved", i, "file"), item.file) for i, item in enumerate(bench.approved)]  # type: ignore[misc]
    for path, name in named:
        try:
            there = (folder / name).is_file()
        except (OSError, ValueError):
            there = False
        if not there:
            yield Fault(path, f"{shown(str(name))}, which does not exist", "an existing file")
