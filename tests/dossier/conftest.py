"""Evidence to put on pages: small and quick for most tests."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rootwright.describe.loading import load_product
from rootwright.device.ground import tiny_ground
from rootwright.dossier.evidence import Evidence, NotDone
from rootwright.pipeline import plan_product, prove_product
from rootwright.pipeline_assure import digest_files
from rootwright.plan.root_of_trust import find_gaps, judge_part
from rootwright.prove.broken import BROKEN
from rootwright.prove.level import Level
from rootwright.prove.proof import Proof, check_level
from rootwright.prove.teeth import check_broken


@pytest.fixture(scope="session")
def small(repository: Path) -> Evidence:
    """The product with a procedure of its own and no firmware yet: only that procedure, only the steady level."""
    file = repository / "demo" / "own-procedure" / "product.toml"
    product = load_product(file)
    plan = plan_product(product, file.parent)
    missing = NotDone("image 'application' has no firmware file", "image.application", "name it")
    return Evidence(
        version="1.2.3",
        command="rootwright assure product.toml --out dossier",
        product=product,
        files=digest_files(product, file),
        part=judge_part(product.chip),
        gaps=find_gaps(product),
        plan=plan,
        proofs=prove_product(product, file.parent, plan, names=(plan.chosen,), harder=False),
        broken=check_broken(lambda base: tiny_ground(2, 1), Level(cells=1), ("request-closed-first", "no-floor-check")),
        release=missing,
        trials=missing,
    )


@pytest.fixture(scope="session")
def failing(small: Evidence) -> Evidence:
    """The same with a proof that fails under a power cut: that of a procedure with a mistake in it."""
    broken = next(b for b in BROKEN if b.name == "request-closed-first")
    verdict, _ = check_level(broken.make, tiny_ground(2, 1), Level(cells=1))
    assert not verdict.holds
    assert verdict.cuts == 1
    return replace(small, proofs=(Proof(small.plan.chosen, (), (), verdict, ()),))
