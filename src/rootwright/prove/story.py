"""A counterexample as a story: one line per thing that happens, in words that a newcomer can follow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rootwright.device.content import FOREIGN, PROGRAMMED, Kind, kind_of
from rootwright.device.ground import Ground
from rootwright.device.port import BLANK, FAULT, Cell, UpdateProcedure
from rootwright.device.settings import FIXED_STATE
from rootwright.prove.environment import Move, Rest
from rootwright.prove.explorer import Failure
from rootwright.prove.symbolic import Operation, SymbolicPort, run_step
from rootwright.prove.world import LOCKED_WORDS, Flash, LogContent, SectorContent, World

WORDS = {
    Kind.OLD: "older",
    Kind.CURRENT: "current",
    Kind.NEXT: "newer",
    Kind.ALTERED: "altered",
    Kind.STALE: "stale",
    Kind.KEEP: "kept data",
    Kind.PERMANENT: "permanent",
}
_BANKS: dict[Any, str] = {0: "0", 1: "1", FIXED_STATE: "0, which locks it", FIXED_STATE + 1: "1, which locks it"}


@dataclass(frozen=True, slots=True)
class Scene:
    """What flash holds at one moment: per area the contents of its sectors in words, per log its newest record."""

    areas: tuple[tuple[str, tuple[str, ...]], ...]
    logs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Happening:
    """One line of a story.

    Attributes:
        kind: "step", "cut", "move" or "end".
        text: What happens, one sentence.
        operations: What the step did to flash and logs, in order.
        scene: Flash after it.
    """

    kind: str
    text: str
    operations: tuple[str, ...]
    scene: Scene


def tell(failure: Failure, procedure: UpdateProcedure, ground: Ground, world: World) -> tuple[Happening, ...]:
    """Return the story of a failure, from a device fresh from the line to the broken claim."""
    teller = _Teller(procedure, ground, world)
    lines: list[Happening] = []
    for state, control, event in failure.path:
        lines.append(teller.tell_event(state, control, event))
    last = lines[-1]
    lines.append(Happening("end", f"{failure.what}. Broken claim: {failure.claim.value}.", (), last.scene))
    return tuple(lines)


class _Teller:
    def __init__(self, procedure: UpdateProcedure, ground: Ground, world: World) -> None:
        self.procedure = procedure
        self.ground = ground
        self.world = world
        self.area_of: dict[int, str] = {}
        for name, start, stop in ground.areas:
            self.area_of.update(dict.fromkeys(range(start, stop), name))
        self.area_of.update(dict.fromkeys(range(*ground.keep), "keep-area"))

    def tell_event(self, state: Flash, control: object, event: tuple[Any, ...]) -> Happening:
        if event[0] == "move":
            move: Move = event[1]
            after = list(state)
            for location, content in move.writes:
                after[location] = self.world.after_write(location, after[location], content)
            kind = "cut" if move.name == "cut" else "move"
            return Happening(kind, self.move_words(move, control), (), self.scene(after))
        port, _ = run_step(self.procedure, self.world, state, control, event[1])
        what = self.control_words(control)
        if event[0] == "cut":
            _, _, number, where = event
            after, operations = self.replay(state, port, number, where)
            cut = self.operation_words(self.operation(port, number))
            place = {"before": "just before", "inside": "in the middle of", "after": "right after"}[where]
            return Happening("cut", f"{what}; power fails {place}: {cut}", operations, self.scene(after))
        if event[0] == "touch":
            after, operations = self.replay(state, port, event[2], "after")
            touched = self.operation_words(self.operation(port, event[2]))
            return Happening("step", f"{what}; on the way: {touched}", operations, self.scene(after))
        after, operations = self.replay(state, port, port.operations, "before")
        note = ""
        if len(event) > 2:
            after = list(self.world.rename(tuple(after), current_becomes_older=event[3]))
            note = "; the newer version is kept and is called current from here on"
        if port.trapped:
            note = "; a read of an undecodable unit resets the core"
        return Happening("step", what + note, operations, self.scene(after))

    def operation(self, port: SymbolicPort, number: int) -> Operation:
        return [c for c in port.changes if isinstance(c, Operation)][number]

    def replay(self, state: Flash, port: SymbolicPort, number: int, where: str) -> tuple[list[int], tuple[str, ...]]:
        """Return flash after the first `number` operations (and part of the next), and the operations in words."""
        after = list(state)
        words: list[str] = []
        done = 0
        for change in port.changes:
            if isinstance(change, Operation):
                if done == number:
                    if where == "inside":
                        after[change.location] = change.torn
                        for other, torn, _ in change.also:
                            after[other] = torn
                        words.append(f"{self.operation_words(change)} (torn)")
                    elif where == "after":
                        _complete(after, change)
                        words.append(self.operation_words(change))
                    break
                _complete(after, change)
                words.append(self.operation_words(change))
                done += 1
            else:
                after[change[0]] = change[1]
        return after, tuple(dict.fromkeys(words))

    def operation_words(self, operation: Operation) -> str:
        location = operation.location
        if location < self.world.sector_count:
            verb = {"erase": "erase", "program": "program"}[operation.kind]
            sector = self.ground.sectors[location]
            covered = sum(1 for other, _, _ in operation.also if other < self.world.sector_count)
            if covered:
                count = 1 + covered
                return f"{verb} {count} sectors from {self.area_of[location]} sector at {sector.address:#010x} on"
            return f"{verb} {self.area_of[location]} sector at {sector.address:#010x}"
        if operation.kind == "complement":
            return "program the complement of the settings word"
        if operation.kind == "settings":
            if operation.torn == operation.done:
                return "program the settings word, which the part does not let change"
            held = self.world.values[operation.done]
            return "program the settings word" + (f" to {_BANKS[held]}" if held in _BANKS else "")
        log = next(name for name, place in self.world.log_location.items() if place == location)
        if operation.kind == "erase log":
            return f"erase the {log} log in place"
        if operation.kind == "lock":
            return f"lock the one-time words of the {log} log"
        content = self.world.values[operation.done]
        assert isinstance(content, LogContent)
        if content.locked:
            return f"add to the {log} log, whose words are locked"
        return f"note {_record_words(content.newest[0])} in the {log} log"

    def control_words(self, control: object) -> str:
        if isinstance(control, tuple) and control and isinstance(control[0], str):
            inner = ", ".join(str(part) for part in control[1:])
            return f"{control[0]} ({inner})" if inner else control[0]
        return str(control)

    def move_words(self, move: Move, control: object) -> str:
        running = "the device waits for the loader"
        if isinstance(control, Rest) and control.area:
            version = "" if control.version is None else f" ({control.version!r} version"
            version += (", on trial)" if control.on_trial else ")") if version else ""
            running = f"'{control.area}' runs{version}"
        what = {
            "reset": "the device restarts",
            "offer": f"somebody offers {move.detail}",
            "report good": "the new image reports itself good",
            "crash": "the new image crashes",
            "cut": "power fails",
        }.get(move.name) or f"the exploited application writes {_exploit_words(move.detail)}"
        return f"{running}: {what}"

    def scene(self, state: list[int]) -> Scene:
        areas = []
        for name, start, stop in self.ground.areas:
            areas.append((name, tuple(self.sector_words(state[i]) for i in range(start, stop))))
        logs = []
        for name, location in self.world.log_location.items():
            content = self.world.values[state[location]]
            assert isinstance(content, LogContent)
            logs.append((name, " or ".join(_record_words(r) for r in content.newest)))
        return Scene(tuple(areas), tuple(logs))

    def sector_words(self, number: int) -> str:
        content = self.world.values[number]
        assert isinstance(content, SectorContent)
        words = list(dict.fromkeys(_cell_words(c) for c in content.cells))
        if content.weak or "torn" in words:
            return "torn" if "torn" in words else f"weak {words[0] if len(words) == 1 else 'mixed'}"
        return words[0] if len(words) == 1 else "mixed"


def _cell_words(cell: int) -> str:
    if cell < 0:
        return "torn"
    special = {int(BLANK): "blank", int(FAULT): "undecodable", int(FOREIGN): "foreign", int(PROGRAMMED): "programmed"}
    if cell in special:
        return special[cell]
    what = kind_of(Cell(cell))
    assert what is not None
    return WORDS[what[0]]


def _complete(state: list[int], operation: Operation) -> None:
    state[operation.location] = operation.done
    for other, _, done in operation.also:
        state[other] = done


def _record_words(record: Any) -> str:
    return (
        "nothing" if record is None else " ".join(str(part) if isinstance(part, str) else repr(part) for part in record)
    )


def _exploit_words(detail: tuple[Any, ...]) -> str:
    if detail and isinstance(detail[0], tuple):
        areas, what, *rest = detail
        parts = [f"{what} content into {' and '.join(areas)}"] if what else []
        if rest:
            locks = rest[1] == LOCKED_WORDS
            words = f"a lock over the {rest[0]} log" if locks else None
            parts.append(words or f"the record '{_record_words(rest[1])}' into the {rest[0]} log")
        return " and ".join(parts)
    return f"{detail[1]} content into {detail[0]}"
