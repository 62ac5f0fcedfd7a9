"""Vendor and class identifiers, made the way the draft recommends (section 8.4.8.2)."""

from __future__ import annotations

import uuid


def vendor_identifier(domain: str) -> bytes:
    """Return the 16-byte vendor identifier of a domain name: UUID version 5 in the DNS namespace (RFC 9562).

    >>> vendor_identifier("alderwater.example").hex()
    'cea1485a9726547ea28f4feaf75e192a'
    """
    return uuid.uuid5(uuid.NAMESPACE_DNS, domain).bytes


def class_identifier(vendor: bytes, information: str) -> bytes:
    """Return the 16-byte class identifier: UUID version 5 of the class's name under the vendor identifier."""
    return uuid.uuid5(uuid.UUID(bytes=vendor), information).bytes


def uuid_text(raw: bytes) -> str:
    """Return an identifier's usual text form."""
    return str(uuid.UUID(bytes=raw))
