"""Everything that one run found out about a product, before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass, field

from rootwright.describe.product import Product
from rootwright.dossier.bench import BenchRun
from rootwright.plan.lockdown.result import LockdownPlan
from rootwright.plan.result import PlanResult
from rootwright.plan.root_of_trust import PartFinding, PartVerdict
from rootwright.prove.proof import Proof
from rootwright.prove.teeth import BrokenResult
from rootwright.prove.trials.model import TrialReport
from rootwright.release.build import Release
from rootwright.review.compare import Comparison
from rootwright.review.result import ReviewResult
from rootwright.suit.inspection import Inspection


@dataclass(frozen=True, slots=True)
class TestedFile:
    """One file that the verdicts speak of.

    Attributes:
        name: As the product file names it; never a path of the machine.
        what: What it is, in a few words.
        size: In bytes.
        sha256: In hex.
    """

    __test__ = False  # for the test runner, which collects by name

    name: str
    what: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class NotDone:
    """Why a stage has no result: what was found, where, and the next step."""

    found: str
    where: str = ""
    next_step: str = ""


@dataclass(frozen=True, slots=True)
class SignedRelease:
    """A release with what an inspection against its own anchor says, and the public key it was signed by.

    Attributes:
        key: SHA-256 of the public key (SubjectPublicKeyInfo, DER), in hex.
        demo: Whether the key is a demonstration key.
    """

    release: Release = field(repr=False)
    inspection: Inspection = field(repr=False)
    key_name: str
    algorithm: str
    key: str
    demo: bool


@dataclass(frozen=True, slots=True)
class Evidence:
    """All results of one product; the same input gives the same evidence.

    Attributes:
        version: Version of this tool.
        command: The command that repeats the run, in the product file's folder.
        files: The files tested.
        part: Whether the part can host a root of trust.
        gaps: What the product asks of its part in vain.
        broken: What was found of each broken variant of the procedures that fit.
        release: The release, or why there is none.
        trials: The hostile-update trials, or why there are none.
        lockdown: The lock-down, or why there is none.
        review: What attacks take and which rules are broken; None where nobody looked.
        parts: The product on other parts; None where nobody looked.
        bench: What the bench found on the product's own boot program, as far as it was asked.
    """

    version: str
    command: str
    product: Product
    files: tuple[TestedFile, ...]
    part: PartVerdict
    gaps: tuple[PartFinding, ...]
    plan: PlanResult
    proofs: tuple[Proof, ...]
    broken: tuple[BrokenResult, ...]
    release: SignedRelease | NotDone
    trials: TrialReport | NotDone
    lockdown: LockdownPlan | NotDone = NotDone("nothing was locked down")
    review: ReviewResult | None = None
    parts: Comparison | None = None
    bench: tuple[BenchRun, ...] = ()

    def find_proof(self, procedure: str) -> Proof | None:
        """Return the proof of one procedure, None where it has none (it does not fit)."""
        return next((proof for proof in self.proofs if proof.procedure == procedure), None)

    @property
    def own(self) -> Proof | None:
        """The proof of the product's own procedure."""
        return self.find_proof(self.plan.chosen)
