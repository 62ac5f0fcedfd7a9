"""Numbers of COSE: structures, header parameters and algorithms, with the spelling of their registries.

Source: RFC 9052 (structures, headers), RFC 9053 (EdDSA, HMAC, ES256), RFC 9864 (ESP256, Ed25519), RFC 8778 (HSS-LMS),
and the IANA "COSE Algorithms" registry.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Literal, TypeAlias

Structure: TypeAlias = Literal["COSE_Sign1", "COSE_Mac0"]

#: CBOR tag of each structure that is written and read here (RFC 9052 section 2).
TAGS: dict[Structure, int] = {"COSE_Mac0": 17, "COSE_Sign1": 18}
#: Tags of the structures that are recognised and refused.
OTHER_TAGS: dict[int, str] = {16: "COSE_Encrypt0", 96: "COSE_Encrypt", 97: "COSE_Mac", 98: "COSE_Sign"}
#: The context text inside the bytes that are signed (RFC 9052 sections 4.4 and 6.3).
CONTEXTS: dict[Structure, str] = {"COSE_Sign1": "Signature1", "COSE_Mac0": "MAC0"}


class Header(IntEnum):
    """Header parameter labels (RFC 9052 section 3.1)."""

    ALG = 1
    CRIT = 2
    CONTENT_TYPE = 3
    KID = 4


class Alg(IntEnum):
    """Algorithm numbers that a message may carry here."""

    HMAC_256_256 = 5
    ES256 = -7
    EDDSA = -8
    ESP256 = -9
    ED25519 = -19
    HSS_LMS = -46


@dataclass(frozen=True, slots=True)
class Algorithm:
    """One registered algorithm: its number, its registered name, and the structure it may stand in."""

    number: int
    name: str
    structure: Structure


#: The registry by number. A number that is not here is refused before any key is tried. HSS-LMS is verified and signed
#: by whoever supplies a Verifier or Signer for it: this package holds no such scheme.
ALGORITHMS: dict[int, Algorithm] = {
    algorithm.number: algorithm
    for algorithm in (
        Algorithm(Alg.HMAC_256_256, "HMAC 256/256", "COSE_Mac0"),
        Algorithm(Alg.ES256, "ES256", "COSE_Sign1"),
        Algorithm(Alg.EDDSA, "EdDSA", "COSE_Sign1"),
        Algorithm(Alg.ESP256, "ESP256", "COSE_Sign1"),
        Algorithm(Alg.ED25519, "Ed25519", "COSE_Sign1"),
        Algorithm(Alg.HSS_LMS, "HSS-LMS", "COSE_Sign1"),
    )
}


def algorithm_name(number: int) -> str:
    """Return the registered name of an algorithm, or 'algorithm N' for a number that is not known here."""
    known = ALGORITHMS.get(number)
    return known.name if known else f"algorithm {number}"
