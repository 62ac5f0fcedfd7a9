"""The threats of RFC 9124 section 4.2: id, title, section, and why a device cannot meet those that it cannot."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Threat:
    """One threat.

    Attributes:
        id: The standard's identifier.
        title: Its section's title.
        section: Section of RFC 9124.
        elsewhere: Why no device can meet it, and who can; empty where a device can.
    """

    id: str
    title: str
    section: str
    elsewhere: str = ""


THREATS = (
    Threat("THREAT.IMG.EXPIRED", "Old Firmware", "4.2.1"),
    Threat("THREAT.IMG.EXPIRED.OFFLINE", "Offline device + Old Firmware", "4.2.2"),
    Threat("THREAT.IMG.INCOMPATIBLE", "Mismatched Firmware", "4.2.3"),
    Threat("THREAT.IMG.FORMAT", "The target device misinterprets the type of payload", "4.2.4"),
    Threat("THREAT.IMG.LOCATION", "The target device installs the payload to the wrong location", "4.2.5"),
    Threat("THREAT.NET.REDIRECT", "Redirection to inauthentic payload hosting", "4.2.6"),
    Threat("THREAT.NET.ONPATH", "Traffic interception", "4.2.7"),
    Threat("THREAT.IMG.REPLACE", "Payload Replacement", "4.2.8"),
    Threat("THREAT.IMG.NON_AUTH", "Unauthenticated Images", "4.2.9"),
    Threat("THREAT.UPD.WRONG_PRECURSOR", "Unexpected Precursor images", "4.2.10"),
    Threat("THREAT.UPD.UNAPPROVED", "Unapproved Firmware", "4.2.11"),
    Threat("THREAT.IMG.DISCLOSURE", "Reverse Engineering Of Firmware Image for Vulnerability Analysis", "4.2.12"),
    Threat("THREAT.MFST.OVERRIDE", "Overriding Critical Manifest Elements", "4.2.13"),
    Threat("THREAT.MFST.EXPOSURE", "Confidential Manifest Element Exposure", "4.2.14"),
    Threat("THREAT.IMG.EXTRA", "Extra data after image", "4.2.15"),
    Threat(
        "THREAT.KEY.EXPOSURE",
        "Exposure of signing keys",
        "4.2.16",
        "a device cannot tell who holds the author's key; its keeper protects, rotates and revokes it",
    ),
    Threat(
        "THREAT.MFST.MODIFICATION",
        "Modification of manifest or payload prior to signing",
        "4.2.17",
        "what was altered before signing is signed; the author's build and the checks at release must see it",
    ),
    Threat("THREAT.MFST.TOCTOU", "Modification of manifest between authentication and use", "4.2.18"),
)
"""All threats, in the standard's order. Source: RFC 9124 section 4.2."""


def threat(identifier: str) -> Threat:
    """Return the threat of an identifier; KeyError where the standard has none."""
    for one in THREATS:
        if one.id == identifier:
            return one
    raise KeyError(identifier)
