"""The provisions that rules serve: document, place, and how we know what stands there.

RFC 9124's requirements were compared with its list of identifiers. Provisions of ETSI EN 303 645 and of annex I of the
Cyber Resilience Act (Regulation (EU) 2024/2847) marked as quoted were compared with public sources that quote them. The
rest is from memory; look it up before you rely on it.
"""

from __future__ import annotations

from rootwright.review.rules.model import Provision, Reading


def rfc9124(requirement: str) -> Provision:
    """Return a security requirement of RFC 9124."""
    return Provision("RFC 9124", requirement, Reading.READ)


def nist193(section: str) -> Provision:
    """Return a section of NIST SP 800-193."""
    return Provision("NIST SP 800-193", section, Reading.MEMORY)


def en303645(provision: str, *, quoted: bool = False) -> Provision:
    """Return a provision of ETSI EN 303 645."""
    return Provision("ETSI EN 303 645", f"provision {provision}", Reading.QUOTED if quoted else Reading.MEMORY)


def iec62443(requirement: str) -> Provision:
    """Return a component requirement of IEC 62443-4-2."""
    return Provision("IEC 62443-4-2", requirement, Reading.MEMORY)


def cra(point: str, *, quoted: bool = False) -> Provision:
    """Return a point of annex I of the Cyber Resilience Act."""
    reading = Reading.QUOTED if quoted else Reading.MEMORY
    return Provision("Cyber Resilience Act", f"annex I, part {point}", reading)
