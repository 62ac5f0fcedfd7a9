"""`rootwright lockdown`: what is locked, with which exact settings, in which order, and whether a unit shows it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rootwright.cli.columns import WIDTH, aligned, wrapped

if TYPE_CHECKING:
    from rootwright.plan.lockdown.result import LockdownPlan
    from rootwright.plan.lockdown.spans import Span
    from rootwright.plan.lockdown.verdict import UnitVerdict

STATES = ["development", "production", "field return", "end of life"]
OBSERVERS = ["debug probe", "boot stage", "application"]

_product = click.argument("product_file", metavar="PRODUCT", type=click.Path(path_type=Path))
_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
_procedure = click.option("--procedure", help="Lock this update procedure's map instead of the product's own.")


class _PlanByDefault(click.Group):
    """A group whose command `plan` need not be named."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put `plan` in front where no command of the group is named."""
        if args and args[0] not in self.commands and args[0] not in ("--help", "-h"):
            args = ["plan", *args]
        return super().parse_args(ctx, args)


@click.group(cls=_PlanByDefault, invoke_without_command=False)
def command() -> None:
    """Plan how a product's part is locked: `rootwright lockdown PRODUCT`; then capture and check single units.

    LOCKING A PART IS OFTEN IRREVERSIBLE. Your data sheet, local codes, the product's safety standard and licensed
    practice come first.
    """


@command.command("plan")
@_product
@_json
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Also draw the states into this SVG file.")
@_procedure
def plan(product_file: Path, as_json: bool, svg: Path | None, procedure: str | None) -> int:
    """Print the plan: protections, exact settings, order of locking, states, attempts, aims.

    The word `plan` may be left out. Exit code 0: what is asked for can be locked. 1: it cannot, or the order of locking
    in the product file cuts off a step. 2: bad input.
    """
    import json

    result = _plan(product_file, procedure)
    if svg is not None:
        from rootwright.plan.lockdown.state_picture import draw_states
        from rootwright.writing import write_whole

        write_whole(svg.parent, {svg.name: draw_states(result).encode()})
    if as_json:
        click.echo(json.dumps(result.as_data(), indent=2, ensure_ascii=False))
    else:
        for line in report(result):
            click.echo(line)
        if result.constraints:
            if sys.stderr.isatty():
                click.echo("trying other maps", err=True)
            for line in _granted(product_file, procedure):
                click.echo(line)
    return 1 if result.breaks_a_limit else 0


@command.command("capture")
@_product
@click.option("--unit", default="", help="Identifier of the unit, to stand in the sheet.")
@click.option(
    "--state", type=click.Choice(STATES), help="Only this state; with --observer and --json a sheet to fill in."
)
@click.option("--observer", type=click.Choice(OBSERVERS), help="Only what this observer can see.")
@_json
@_procedure
def capture(
    product_file: Path, unit: str, state: str | None, observer: str | None, as_json: bool, procedure: str | None
) -> int:
    """List what must be read back: address, width, by whom it can be seen in which state; and what must be tried.

    With --json, --state and --observer it is a sheet to fill in, which `check` reads. Exit code 0: there is something
    to compare. 1: nothing that is planned has an address in the chip file. 2: bad input.
    """
    import json

    from rootwright.describe.lock_field import LifeState, Observer
    from rootwright.plan.lockdown.verdict import capture_sheet

    result = _plan(product_file, procedure)
    if as_json:
        if state is None or observer is None:
            raise click.UsageError("a sheet is for one state and one observer: give --state and --observer")
        sheet = capture_sheet(result, unit=unit, state=LifeState(state), observer=Observer(observer))
        click.echo(json.dumps(sheet, indent=2, ensure_ascii=False))
    else:
        for line in _capture_lines(result, unit, state, observer):
            click.echo(line)
    return 0 if any(field.mask for field in result.readback) else 1


@command.command("check")
@_product
@click.argument("dump_file", metavar="DUMP", type=click.Path(path_type=Path))
@click.option("--unit", default="", help="Identifier of the unit, where the dump does not say it.")
@click.option("--silicon", default="", help="Silicon revision, where the dump does not say it.")
@click.option("--state", type=click.Choice(STATES), help="State in which it was read, where the dump does not say it.")
@click.option("--observer", type=click.Choice(OBSERVERS), help="Who read it, where the dump does not say it.")
@click.option("--memory", help="The dump is of this memory alone; a raw one then starts at its first address.")
@click.option("--base", help="Address of the first byte of a raw dump, such as 0x1FFF0000.")
@click.option("--outcomes", type=click.Path(path_type=Path), help="JSON file with the outcomes of the attempts.")
@_json
@_procedure
def check(
    product_file: Path,
    dump_file: Path,
    unit: str,
    silicon: str,
    state: str | None,
    observer: str | None,
    memory: str | None,
    base: str | None,
    outcomes: Path | None,
    as_json: bool,
    procedure: str | None,
) -> int:
    """Compare what was read from one unit, and what was tried on it, with the plan.

    DUMP is the filled-in sheet of `capture`, Intel HEX, S-record, or raw bytes with --base. Exit code 0: no difference.
    1: a field differs, an attempt came out otherwise or was not made. 2: the dump is short, of another unit or silicon,
    all ones or all zeros, or malformed.
    """
    import json

    from rootwright.describe.lock_field import LifeState, Observer
    from rootwright.plan.lockdown.dump import Reading, read_dump, read_outcomes
    from rootwright.plan.lockdown.verdict import judge_unit

    result = _plan(product_file, procedure)
    given = Reading(unit, silicon, LifeState(state) if state else None, Observer(observer) if observer else None)
    within = None if memory is None else _memory(product_file, memory)
    data = dump_file.read_bytes()
    start = _address(base) if base is not None or within is None or _says_addresses(data) else within.start
    dump = read_dump(data, name=dump_file.name, given=given, base=start)
    tried = None
    if outcomes is not None:
        known = {attempt.id: attempt.expected for attempt in result.attempts}
        tried = read_outcomes(outcomes.read_bytes(), name=outcomes.name, unit=dump.reading.unit, known=known)
    verdict = judge_unit(result, dump, outcomes=tried, within=within)
    if as_json:
        click.echo(json.dumps(verdict.as_data(), indent=2, ensure_ascii=False))
    else:
        for line in _verdict_lines(verdict):
            click.echo(line)
    return 1 if verdict.differs else 0


def _plan(product_file: Path, procedure: str | None) -> LockdownPlan:
    from rootwright.describe.loading import load_product
    from rootwright.pipeline import lock_down, plan_product

    product = load_product(product_file)
    return lock_down(product, plan_product(product, product_file.parent, procedure=procedure))


def _granted(product_file: Path, procedure: str | None) -> list[str]:
    """Return whether a map exists that leaves no wish open, and the pins that make it."""
    from rootwright.describe.loading import load_product
    from rootwright.pipeline import grant_wishes, plan_product

    product = load_product(product_file)
    folder = product_file.parent
    granted = grant_wishes(product, plan_product(product, folder, procedure=procedure), folder)
    if granted.isolation is None:
        return wrapped(f"the map cannot give way: {granted.reason}", "")
    lines = wrapped(f"a map without these wishes exists; isolation then rests on: {granted.isolation.value}", "")
    for pin in granted.pins:
        size = "" if pin.size is None else f", size = 0x{pin.size:X}"
        lines.append(f'    [[pin]] block = "{pin.block}", at = 0x{pin.at or 0:X}{size}')
    return lines


def _memory(product_file: Path, name: str) -> Span:
    from rootwright.describe.loading import load_product
    from rootwright.plan.lockdown.spans import Span

    memories = {memory.name: memory for memory in load_product(product_file).chip.memories}
    if name not in memories:
        raise click.BadParameter(f"there is no memory {name!r}; they are {', '.join(memories)}", param_hint="--memory")
    return Span(memories[name].base, memories[name].end)


def _says_addresses(data: bytes) -> bool:
    """Return whether a dump carries addresses of its own, or could not be raw bytes."""
    return data.lstrip()[:1] in (b"{", b":", b"S") or data[:4] == b"\x7fELF" or not data


def _address(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        return int(text, 0)
    except ValueError:
        raise click.BadParameter(f"{text!r} is no address such as 0x1FFF0000", param_hint="--base") from None


def report(plan: LockdownPlan) -> list[str]:
    """Return the lines of the printed plan, at most 120 columns wide."""
    lines = [f"{plan.product} on {plan.chip}, map of {plan.procedure}", ""]
    lines += wrapped(f"{plan.chip} {plan.part.standing.value}: {' '.join(plan.part.reasons)}", "")
    lines.append(f"isolation rests on: {plan.isolation.value}")
    for rung in plan.rungs:
        if rung.why != "the part does not offer it":
            lines += wrapped(f"{'usable' if rung.usable else 'not usable'}: {rung.foundation.value}: {rung.why}", "  ")
    lines += ["", "What lies under which protection", ""]
    rows = [
        (
            cover.protection,
            f"0x{cover.address:08X}",
            f"0x{cover.end - 1:08X}",
            cover.effect.value,
            cover.lock.value,
            _moment(cover.moment.value),
        )
        for cover in plan.covers
    ]
    heads = aligned([("protection", "from", "to", "effect", "holds", "set"), *rows], "<" * 6)
    width = max(map(len, heads)) + 2
    names = ["blocks", *(_some(cover.blocks, WIDTH - width) for cover in plan.covers)]
    lines += [f"{head:<{width}}{name}" for head, name in zip(heads, names, strict=True)] if rows else ["  nothing"]
    lines += ["", "Exact settings (value and mask; what the mask leaves out is kept)", ""]
    for setting in plan.settings:
        lines += wrapped(f"{_setting_head(setting)}  {setting.says}; {_moment(setting.moment.value)}", "  ")
    if not plan.settings:
        lines.append("  nothing")
    lines += ["", "Order of locking", ""]
    for number, step in enumerate(plan.steps, 1):
        lines += wrapped(f"{number}. {step.id}: {step.title}", "  ")
        if step.irreversible:
            lines += wrapped(f"!!! {step.irreversible}", "     ")
        if step.closes:
            lines += wrapped(f"closes: {', '.join(step.closes)}", "     ")
        lines += wrapped(f"check: {step.check}", "     ")
    lines += ["", "States", ""]
    for state in plan.states:
        lines.append(f"  {state.state.value}{'' if state.reachable else ': CANNOT BE REACHED on this part'}")
        for word, things in (("allows", state.allows), ("denies", state.denies)):
            lines += wrapped(f"{word}: {'; '.join(things)}", "     ") if things else []
        lines += wrapped(f"note: {state.note}", "     ") if state.note else []
    lines += ["", "To be tried on a locked unit (configured is not yet effective)", ""]
    for attempt in plan.attempts:
        lines += wrapped(f"{attempt.id}: {attempt.text}: {_expected(attempt.expected)}", "  ")
    lines += ["", "Aims", ""]
    for aim in plan.aims:
        lines += wrapped(f"{aim.met.value:<11}  {aim.id} ({aim.column.value}): {aim.text}", "  ")
        for evidence in aim.evidence:
            lines += wrapped(f"{'+' if evidence.holds else '-'} {evidence.text} [{evidence.source}]", "               ")
    lines += ["", *finding_lines(plan)]
    return lines


def finding_lines(plan: LockdownPlan) -> list[str]:
    """Return conflicts, refused orders, wishes on the map and cautions, with a closing count."""
    lines: list[str] = []
    for conflict in plan.conflicts:
        lines += wrapped(f"{'note' if conflict.note else 'finding'}: {conflict.rule}: {conflict.found}", "")
        lines += wrapped(f"next: {conflict.next_step}", "    ")
    for cut in plan.cut_offs:
        lines += wrapped(f"finding: lockdown.order: REFUSED: {cut.text}", "")
        lines += wrapped("next: the order printed above cuts off nothing; change lock.order", "    ")
    for wish in plan.constraints:
        value = f"0x{wish.value:X}" if isinstance(wish.value, int) else wish.value
        lines += wrapped(f"wish on the map: {wish.block}: {wish.kind} {value}: {wish.reason}", "")
    for caution in plan.cautions:
        lines += wrapped(f"caution: {caution}", "")
    count = sum(not conflict.note for conflict in plan.conflicts) + len(plan.cut_offs)
    lines.append(f"{count} finding{'' if count == 1 else 's'}" if count else "nothing breaks a limit")
    return lines


def _capture_lines(plan: LockdownPlan, unit: str, state: str | None, observer: str | None) -> list[str]:
    lines = [
        f"{plan.product} on {plan.chip}, silicon {plan.silicon or 'not named'}" + (f", unit {unit}" if unit else ""),
        "",
    ]
    rows: list[tuple[str, ...]] = [("field", "address", "width", "copy", "state", "seen by")]
    for field in plan.readback:
        for visible in field.visible:
            seers = [o.value for o in visible.observers if observer is None or o.value == observer]
            if state is None or visible.state.value == state:
                copy = "stored" if field.stored else "loaded"
                by = ", ".join(seers) or "nobody"
                rows.append((field.name, f"0x{field.address:08X}", str(field.width), copy, visible.state.value, by))
    if not any(field.mask for field in plan.readback):
        lines += wrapped("nothing that is planned has an address in the chip file, so no field can be compared", "")
    if not plan.readback:
        return lines
    lines += aligned(rows, "<" * len(rows[0]))
    lines += ["", "To be tried, and its outcome written down", ""]
    for attempt in plan.attempts:
        lines += wrapped(
            f"{attempt.id} ({attempt.observer.value}): {attempt.text}: {_expected(attempt.expected)}", "  "
        )
    return lines


def _verdict_lines(verdict: UnitVerdict) -> list[str]:
    from rootwright.plan.lockdown.verdict import Answer, Tried

    lines = [
        f"unit {verdict.unit} of {verdict.product}, {verdict.chip} silicon {verdict.silicon or 'not named'}",
        f"state {verdict.state.value}, read by the {verdict.observer.value}, bound to the unit by {verdict.bound}",
        "",
    ]
    for field in verdict.fields:
        copy = "stored" if field.stored else "loaded"
        values = ""
        if field.answer is Answer.DIFFERS:
            values = f": 0x{field.found or 0:X}, expected 0x{field.expected:X}"
        lines += wrapped(f"{field.answer.value:<16}  {field.name} ({copy}){values}", "  ")
        if field.text:
            lines += wrapped(field.text, "                    ")
        if field.answer is Answer.DIFFERS and field.aims:
            lines += wrapped(f"touches: {', '.join(field.aims)}", "                    ")
    lines.append("")
    if verdict.tried:
        for tried in verdict.tried:
            lines += wrapped(f"{tried.tried.value:<16}  {tried.id}: {tried.text}: {_expected(tried.expected)}", "  ")
            if tried.tried is Tried.OTHERWISE and tried.aims:
                lines += wrapped(f"falls: {', '.join(tried.aims)}", "                    ")
    else:
        lines += wrapped(
            "no outcomes given: what is configured is not shown to be effective; try the attempts and give --outcomes",
            "",
        )
    if verdict.fallen:
        lines += wrapped(f"aims touched: {', '.join(verdict.fallen)}", "")
    lines.append("differs from the plan" if verdict.differs else "no difference")
    return lines


def _setting_head(setting: Any) -> str:
    place = "-" if setting.address is None else f"0x{setting.address:08X}"
    if setting.number is not None:
        place = f"CSR 0x{setting.number:03X}"
    if setting.width > 64:
        return f"{setting.name}:"
    whole = setting.mask == (1 << setting.width) - 1
    digits = max(1, setting.width // 4)
    mask = "" if whole else f" mask 0x{setting.mask:0{digits}X}"
    return f"{place}  {setting.name} = 0x{setting.value:0{digits}X}{mask}"


def _expected(word: str) -> str:
    return "must be refused" if word == "refused" else "must work"


_MOMENTS = {
    "once, in the factory": "in the factory",
    "at every start, before other code runs": "at every start",
    "at the start of an image on trial": "on trial",
    "at every start from the second slot": "second slot",
    "before the recovery image runs": "before recovery",
}


def _moment(words: str) -> str:
    return _MOMENTS[words]


def _some(names: tuple[str, ...], room: int) -> str:
    """Return as many names as fit, and how many more there are.

    >>> _some(("boot", "keys", "floor"), 18), _some(("boot", "keys", "floor"), 14), _some(("run:application",), 9)
    ('boot, keys, floor', 'boot, 2 more', '1 block')
    """
    for count in range(len(names), 0, -1):
        more = len(names) - count
        text = ", ".join(names[:count]) + (f", {more} more" if more else "")
        if len(text) <= room:
            return text
    return f"{len(names)} block{'' if len(names) == 1 else 's'}"
