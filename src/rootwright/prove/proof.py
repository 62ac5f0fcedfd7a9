"""One procedure's verdict with everything that a reader needs to judge it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from rootwright.device.ground import STOPPING, Ground
from rootwright.device.port import Claim, UpdateProcedure, does_catch
from rootwright.prove.counterexample import require_replay
from rootwright.prove.explorer import Closure, Explorer
from rootwright.prove.export import ContentBytes, Exported, export_state
from rootwright.prove.level import Level
from rootwright.prove.protecting import Closable, Remedy, find_remedy
from rootwright.prove.shared import Shared
from rootwright.prove.story import Happening, tell


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one exploration found at one level.

    Attributes:
        holds: Whether every claim of the procedure holds at this level (up to the bound, where not closed).
        story: How the first claim breaks, with the fewest cuts; empty where all hold.
        exported: The failure's flash as bytes, where the caller gave the contents.
        erases: Most erases in one run between two environment events; None where a run need not end.
    """

    level: Level
    holds: bool
    closed: bool
    states: int
    edges: int
    erases: int | None
    claim: str
    what: str
    cuts: int
    moves: int
    operations: int
    story: tuple[Happening, ...]
    exported: Exported | None = None

    @property
    def words(self) -> str:
        """The verdict in words: the term is model-checked, and it says how far."""
        if not self.holds:
            return f"fails with {self.cuts} power cut{'' if self.cuts == 1 else 's'}"
        return "holds, closed" if self.closed else f"holds, bounded at {self.level.max_cuts} cuts"


@dataclass(frozen=True, slots=True)
class Proof:
    """The verdicts on one procedure: at the steady level, and at harder ones beside it.

    Attributes:
        remedy: What write protection does about a failure at the steady level; None where it holds, where no exploited
            application takes part, or where nobody said what the part can close.
        migrates: Name of the keep-area whose migration it is about; empty for a procedure by itself.
        left_open: Blocks that the product wants write-protected and no lock of the part can close on this map.
    """

    procedure: str
    claims: tuple[str, ...]
    not_claimed: tuple[str, ...]
    steady: Verdict
    harder: tuple[tuple[str, Verdict], ...]
    remedy: Remedy | None = None
    migrates: str = ""
    left_open: tuple[str, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """Return the proof as plain data for JSON."""
        return {
            "procedure": self.procedure,
            "verdict": "holds" if self.steady.holds else "fails",
            "level": self.steady.level.describe(),
            "closed": self.steady.closed,
            "states": self.steady.states,
            "erases_per_run": self.steady.erases,
            "claims": list(self.claims),
            "counterexample": _story_data(self.steady),
            "harder": {
                name: {
                    "verdict": "holds" if verdict.holds else "fails",
                    "level": verdict.level.describe(),
                    "closed": verdict.closed,
                    "bound_cuts": verdict.level.max_cuts,
                    "states": verdict.states,
                    "counterexample": _story_data(verdict),
                }
                for name, verdict in self.harder
            },
            "not_claimed": list(self.not_claimed),
            "write_protected": sorted(self.steady.level.protect),
            "left_open": list(self.left_open),
            "remedy": None if self.remedy is None else self.remedy.as_data(),
        }


def _story_data(verdict: Verdict) -> dict[str, Any] | None:
    if verdict.holds:
        return None
    return {
        "claim": verdict.claim,
        "what": verdict.what,
        "cuts": verdict.cuts,
        "moves": verdict.moves,
        "operations": verdict.operations,
        "story": [{"kind": h.kind, "text": h.text, "operations": list(h.operations)} for h in verdict.story],
    }


def check_level(
    make: Callable[[Ground], UpdateProcedure],
    ground: Ground,
    level: Level,
    *,
    progress: Callable[[int], None] | None = None,
    content: ContentBytes | None = None,
    earliest_cut: bool = False,
) -> tuple[Verdict, Closure]:
    """Explore one procedure at one level; return the verdict with its story, and the raw closure.

    With `content` (the bytes of each version's content) a failure also comes as a flash image. Every failure has
    happened once more on the concrete oracle before it is returned. With `earliest_cut` a failure still has the fewest
    cuts, but perhaps more moves than needed, and is found much faster.

    Raises:
        ProcedureError: The procedure misuses its port or is not repeatable, or a failure is not confirmed.
    """
    explorer = Explorer(make(ground), ground, level, progress, earliest_cut=earliest_cut)
    closure = explorer.explore()
    return _judge(explorer, closure, content), closure


def _reads(procedure: UpdateProcedure, ground: Ground) -> str:
    """Return what becomes of a read of an undecodable unit, in words; empty where no part of the ground stops it."""
    if not ground.coded and all(sector.ecc_error not in STOPPING for sector in ground.sectors):
        return ""
    return "are caught" if does_catch(procedure) else "reset"


def _judge(explorer: Explorer, closure: Closure, content: ContentBytes | None) -> Verdict:
    procedure, world = explorer.procedure, explorer.world
    failure = closure.failure
    if failure is not None:
        require_replay(failure, procedure, world.ground, world.level, world)
    story = tell(failure, procedure, world.ground, world) if failure else ()
    verdict = Verdict(
        level=replace(world.level, reads=_reads(procedure, world.ground)),
        holds=closure.holds,
        closed=closure.closed,
        states=closure.states,
        edges=closure.edges,
        erases=closure.erases,
        claim=failure.claim.value if failure else "",
        what=failure.what if failure else "",
        cuts=failure.cost[0] if failure else 0,
        moves=failure.cost[1] if failure else 0,
        operations=failure.cost[2] if failure else 0,
        story=story,
    )
    if failure is not None and content is not None:
        exported = export_state(failure, procedure, world.ground, world, story, content)
        verdict = replace(verdict, exported=exported)
    return verdict


def prove(
    name: str,
    make: Callable[[Ground], UpdateProcedure],
    ground_of: Callable[[int], Ground],
    level: Level,
    *,
    harder: bool = True,
    progress: Callable[[int], None] | None = None,
    content: ContentBytes | None = None,
    closable: Closable | Callable[[], Closable] | None = None,
    shared: Shared | None = None,
) -> Proof:
    """Return the proof of one procedure at `level` and, beside it, at harder levels.

    Args:
        name: What the procedure is called.
        make: Makes the procedure for a ground.
        ground_of: Makes the ground for a number of model cells.
        level: The steady level to prove at.
        harder: Whether to look at the harder levels too, where it holds at `level`: one more cell a piece; restless
            cells.
        progress: Called now and then with the number of states found.
        content: Bytes of each version's content, for flash images of failures.
        closable: What the part can close, to look for the write protection that stops an exploited application; or
            what finds that out, called only where it is asked for.
        shared: Explorations that were made before and may serve once more; those of this proof are added.
    """
    shared = shared or Shared()
    explorer, closure = shared.explore(name, make, ground_of(level.cells), level, progress=progress)
    verdict = _judge(explorer, closure, content)
    remedy = None
    if closure.failure is not None and closable is not None:
        if not isinstance(closable, Closable):
            closable = closable()
        ground = explorer.world.ground
        remedy = find_remedy(closure.failure, make, ground, level, closable, progress=progress, found_by=explorer)
    beside: list[tuple[str, Verdict]] = []
    if harder and verdict.holds:  # a failure at the steady level is not made better by a harder one
        finer, restless = replace(level, cells=level.cells + 1), replace(level, restless=True)
        for words, at in ((f"{finer.cells} cells", finer), ("restless cells", restless)):
            found = shared.explore(name, make, ground_of(at.cells), at, progress=progress)
            beside.append((words, _judge(*found, content)))
    claims = explorer.procedure.claims
    apart = {Claim.DATA}  # asked only of a migration
    unclaimed = [c.value for c in Claim if c not in claims and c not in apart and not _is_weaker(c, claims)]
    details = [text for text in closure.not_claimed if text.partition(" (")[0] in unclaimed]
    bare = [claim for claim in unclaimed if not any(text.startswith(claim) for text in details)]
    return Proof(
        procedure=name,
        claims=tuple(claim.value for claim in Claim if claim in claims),
        not_claimed=(*details, *bare),
        steady=verdict,
        harder=tuple(beside),
        remedy=remedy,
    )


def _is_weaker(claim: Claim, claims: frozenset[Claim]) -> bool:
    return claim is Claim.BOOTS_OR_WAITS and Claim.BOOTS in claims
