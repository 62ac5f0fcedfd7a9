"""Shows that the checker bites: broken procedures, explored on the user's own map, must all be caught there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rootwright.describe.chip import BlankRead
from rootwright.describe.settings import Torn
from rootwright.device.ground import Ground
from rootwright.device.port import Claim
from rootwright.prove.broken import BROKEN, Broken
from rootwright.prove.broken_reads import BROKEN_READS
from rootwright.prove.broken_settings import BROKEN_SETTINGS
from rootwright.prove.level import Level
from rootwright.prove.proof import check_level
from rootwright.prove.story import Happening


@dataclass(frozen=True, slots=True)
class BrokenResult:
    """What the exploration of one broken procedure found.

    Attributes:
        title: What is wrong with the procedure, in a few words.
        base: The sound procedure that it is a change of.
        caught: Whether a claim that its mistake breaks was found broken.
        cuts: The fewest power cuts that break it on this map.
        claim: The claim found broken; empty where none was.
        what: What happens then.
        sentence: The power cut that kills it (the last one), or the last thing that happens where no cut is needed.
        states: How many states were looked at.
    """

    name: str
    title: str
    base: str
    caught: bool
    cuts: int
    claim: str
    what: str
    sentence: str
    states: int

    def as_data(self) -> dict[str, Any]:
        """Return the result as plain data for JSON."""
        return {
            "name": self.name,
            "title": self.title,
            "base": self.base,
            "caught": self.caught,
            "cuts": self.cuts,
            "claim": self.claim,
            "what": self.what,
            "sentence": self.sentence,
            "states": self.states,
        }


NEEDS_ERASE = frozenset({"erase-skipped", "no-note-before-erase"})
"""Mistakes about what a cut erase leaves."""


def find_obstacle(broken: Broken, ground: Ground) -> str:
    """Return why a mistake cannot show on this ground; empty where it can."""
    if broken.external_staging and not any(ground.sectors[i].external for i in ground.find_area("stage")):
        return "staging does not lie in external memory"
    model = ground.settings
    if broken in BROKEN_SETTINGS and (model is None or not model.guards or Torn.DEFAULT not in model.torn):
        return "no settings area is described that can lose the write protection"
    if broken in BROKEN_READS and not ground.coded:
        return "no log lies in a memory that stops whoever reads an undecodable unit"
    run = [ground.sectors[i] for i in ground.find_area("run")]
    if broken.name in NEEDS_ERASE and all(sector.erased is None for sector in run):
        return "the run slot lies in a memory that is written without erase"
    if broken.name == "erase-skipped" and all(sector.blank_read is BlankRead.FAULT for sector in run):
        return "a blank cell of the run slot can not be read, so nothing is found blank"
    if broken.claim is Claim.KEEPS and ground.keep[0] == ground.keep[1]:
        return "the product has no keep-area"
    return ""


def check_broken(
    ground_of: Callable[[str], Ground | None],
    level: Level,
    names: tuple[str, ...] = (),
    *,
    progress: Callable[[str, int], None] | None = None,
) -> tuple[BrokenResult, ...]:
    """Return what is found of each broken procedure whose mistake can show on the user's map.

    Everything that may be write-protected is, and only the attackers that a mistake needs take part: what is caught is
    the mistake and not an open door beside it.

    Args:
        ground_of: Gives the ground of the sound procedure with that name, None where it does not fit.
        level: Cells and bounds to explore at; its attackers and protections are replaced.
        names: Only these broken procedures; all where empty.
        progress: Called now and then with a broken procedure's name and the number of states found.

    >>> from rootwright.device.ground import tiny_ground
    >>> caught = check_broken(lambda base: tiny_ground(2, 1), Level(cells=1), ("request-closed-first",))[0]
    >>> caught.caught, caught.cuts, caught.claim
    (True, 1, 'an uncut boot reaches an authentic image')
    """
    results = []
    for broken in (*BROKEN, *BROKEN_SETTINGS, *BROKEN_READS):
        ground = ground_of(broken.base.value)
        if ground is None or (names and broken.name not in names) or find_obstacle(broken, ground):
            continue

        def report(states: int, name: str = broken.name) -> None:
            if progress is not None:
                progress(name, states)

        results.append(_check(broken, ground, level, report))
    return tuple(results)


def _check(broken: Broken, ground: Ground, level: Level, report: Callable[[int], None]) -> BrokenResult:
    logs = {spec.name for spec in broken.make(ground).logs}
    boots = ground.settings.boots if ground.settings else ("boot",)
    closed = frozenset({*boots, *logs, *(sector.block for sector in ground.sectors)})
    at = Level(level.cells, level.restless, broken.needs, closed, level.max_cuts)
    verdict, closure = check_level(broken.make, ground, at, progress=report, earliest_cut=True)
    failure = closure.failure
    return BrokenResult(
        name=broken.name,
        title=broken.title,
        base=broken.base.value,
        caught=failure is not None and failure.claim in broken.claims,
        cuts=verdict.cuts,
        claim=verdict.claim,
        what=verdict.what,
        sentence=find_killing_sentence(verdict.story),
        states=verdict.states,
    )


def find_killing_sentence(story: tuple[Happening, ...]) -> str:
    """Return the story's last power cut, or the last thing that happens before the end where there is no cut."""
    cuts = [happening.text for happening in story if happening.kind == "cut"]
    others = [happening.text for happening in story if happening.kind != "end"]
    return (cuts or others or [""])[-1]
