"""A question about a product: what another value changes in its plan and in its verdicts under power cuts.

What is the same on both sides is done once: a whole verdict where nothing differs that it depends on, else the tables
and steps of an exploration where only write protection differs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rootwright.describe.product import Product
from rootwright.pipeline import prove_migrations, prove_product
from rootwright.plan.result import PlanResult
from rootwright.plan.what_if import Difference, compare_plans
from rootwright.prove.explorer import without_collection
from rootwright.prove.proof import Proof
from rootwright.prove.shared import Shared
from rootwright.prove.what_if import VerdictBeside, compare_proofs
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
        images: Whether a failure also comes as a flash image.
        progress: Called now and then with a procedure's name and the number of states found.
    """
    shared = Shared()

    def explore(side: tuple[Product, PlanResult], looked: tuple[str, ...], *, migrations: bool) -> tuple[Proof, ...]:
        product, plan = side
        found: tuple[Proof, ...] = ()
        for name in looked:
            found += prove_product(
                product,
                folder,
                plan,
                names=(name,),
                harder=harder,
                images=images,
                progress=progress,
                shared=shared,
            )
        if migrations:
            found += prove_migrations(
                product, folder, plan, harder=harder, images=images, progress=progress, shared=shared
            )
        return found

    base, plan = given[1], changed[1]
    difference = compare_plans(base, plan)
    fitting = {each.demand.traits.name for each in plan.plans if each.map is not None}
    looked = tuple(name for name in names or dict.fromkeys((plan.chosen, base.chosen)) if name in fitting)
    with without_collection():
        proofs = explore(changed, looked, migrations=plan.chosen in looked)
        same = {name for name in looked if same_for_prove(given, changed, name)}
        before = tuple(proof for proof in proofs if proof.procedure in same and not proof.migrates)
        migrates = any(proof.migrates for proof in proofs)
        before += explore(given, tuple(name for name in looked if name not in same), migrations=migrates)
    return Answer(difference, proofs, compare_proofs(before, proofs))
