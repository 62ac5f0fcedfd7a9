"""A question about a product: what another value changes in its plan and in its verdicts under power cuts.

What is the same on both sides is done once: a whole verdict where nothing differs that it depends on, else the tables
and steps of an exploration where only write protection differs. What is not can be done side by side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rootwright.describe.product import Product
from rootwright.device.ground import ground_from_map
from rootwright.pipeline import level_of, prove_migrations, prove_product
from rootwright.plan.result import PlanResult
from rootwright.plan.what_if import Difference, compare_plans
from rootwright.prove.proof import Proof
from rootwright.prove.shared import Shared
from rootwright.prove.what_if import VerdictBeside, compare_proofs
from rootwright.watch.aside import begin_aside
from rootwright.watch.views import same_for_prove


@dataclass(frozen=True, slots=True)
class Answer:
    """What a change does.

    Attributes:
        difference: What differs in the plan: what fits, figures, wear, places.
        proofs: The verdicts of the changed product.
        verdicts: Each of them beside that of the product as it is.
    """

    difference: Difference
    proofs: tuple[Proof, ...]
    verdicts: tuple[VerdictBeside, ...]

    @property
    def turned(self) -> tuple[VerdictBeside, ...]:
        """The verdicts that the change turns."""
        return tuple(verdict for verdict in self.verdicts if verdict.turns)

    def as_data(self) -> dict[str, Any]:
        """Return the answer as plain data for JSON; the manual lists the keys."""
        return {
            "proofs": [proof.as_data() for proof in self.proofs],
            "verdicts": [verdict.as_data() for verdict in self.verdicts],
            "changes": [verdict.as_data() for verdict in self.turned],
            "difference": self.difference.as_data(),
        }


def ask(
    given: tuple[Product, PlanResult],
    changed: tuple[Product, PlanResult],
    folder: Path,
    *,
    names: tuple[str, ...] = (),
    harder: bool = True,
    images: bool = True,
    aside: bool = False,
    progress: Callable[[str, int], None] | None = None,
) -> Answer:
    """Return what differs between a product as it is and as it would be.

    Args:
        given: The product as its files say it, and its plan.
        changed: The product as it would be, and its plan.
        folder: Where its files are.
        names: Explore these procedures; by default the product's own, as it is and as it would be. What has no map on
            the changed product is left out.
        harder: Whether to look at the harder levels too.
        images: Whether a failure of the changed product also comes as a flash image.
        aside: Whether the product as it is may be explored in another process meanwhile.
        progress: Called now and then with a procedure's name and the number of states found.
    """
    base, plan = given[1], changed[1]
    difference = compare_plans(base, plan)
    fitting = {each.demand.traits.name for each in plan.plans if each.map is not None}
    looked = tuple(name for name in names or dict.fromkeys((plan.chosen, base.chosen)) if name in fitting)
    same = {name for name in looked if is_same_question(given, changed, name, harder=harder)}
    shared = Shared()

    def explore(*, as_given: bool, told: Callable[[str, int], None] | None) -> tuple[Proof, ...]:
        product, plan = given if as_given else changed
        found: tuple[Proof, ...] = ()
        for name in looked:
            if not as_given or name not in same:
                found += prove_product(
                    product,
                    folder,
                    plan,
                    names=(name,),
                    harder=harder,
                    images=images and not as_given,
                    remedies=not as_given,
                    progress=told,
                    shared=shared,
                )
        if changed[1].chosen in looked:
            found += prove_migrations(
                product,
                folder,
                plan,
                harder=harder,
                images=images and not as_given,
                progress=told,
                shared=shared,
            )
        return found

    def explore_given() -> tuple[Proof, ...]:
        return explore(as_given=True, told=None if aside else progress)

    before = explore_given if not aside or same.issuperset(looked) else begin_aside(explore_given)
    proofs = explore(as_given=False, told=progress)
    alike = tuple(proof for proof in proofs if proof.procedure in same and not proof.migrates)
    verdicts = compare_proofs((*alike, *before()), proofs)
    return Answer(difference, proofs, verdicts)


def is_same_question(
    given: tuple[Product, PlanResult], changed: tuple[Product, PlanResult], procedure: str, *, harder: bool = True
) -> bool:
    """Say whether a procedure's verdicts are sure to be the same on both sides.

    So they are where nothing differs that a verdict can depend on, and where what does differ leaves ground and level
    as they are: a larger image in a slot that is large enough, say.
    """
    if same_for_prove(given, changed, procedure):
        return True
    seen = []
    for product, plan in (given, changed):
        mine = next((each for each in plan.plans if each.demand.traits.name == procedure), None)
        if mine is None or mine.map is None:
            return False
        level = level_of(product, mine.map, mine.demand)
        cells = (level.cells, level.cells + 1) if harder else (level.cells,)
        seen.append((level, [ground_from_map(product.chip, mine.map, cells=count) for count in cells]))
    return seen[0] == seen[1]
