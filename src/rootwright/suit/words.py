"""Numbers into the standard's words: `suit-condition-image-match` for command 3, and so on."""

from __future__ import annotations

from enum import IntEnum

from rootwright.cose.numbers import algorithm_name
from rootwright.suit.numbers import (
    CUSTOM_BELOW,
    CommonKey,
    ComponentTextKey,
    Condition,
    DigestAlgorithm,
    Directive,
    EnvelopeKey,
    ManifestKey,
    Parameter,
    Reason,
    ReportingPolicy,
    TextKey,
)

_PREFIXES: dict[type[IntEnum], str] = {
    EnvelopeKey: "suit-",
    ManifestKey: "suit-",
    CommonKey: "suit-",
    Condition: "suit-condition-",
    Directive: "suit-directive-",
    Parameter: "suit-parameter-",
    TextKey: "suit-text-",
    ComponentTextKey: "suit-text-",
    Reason: "",
}
_DIGESTS = {
    DigestAlgorithm.SHA_256: "SHA-256",
    DigestAlgorithm.SHAKE128: "SHAKE128",
    DigestAlgorithm.SHA_384: "SHA-384",
    DigestAlgorithm.SHA_512: "SHA-512",
    DigestAlgorithm.SHAKE256: "SHAKE256",
}


def word(member: IntEnum) -> str:
    """Return the registered name of one number.

    >>> word(Directive.SET_COMPONENT_INDEX)
    'suit-directive-set-component-index'
    """
    return _PREFIXES[type(member)] + member.name.lower().replace("_", "-")


def _known(registry: type[IntEnum], number: int) -> str | None:
    try:
        return word(registry(number))
    except ValueError:
        return None


def command_word(number: int) -> str:
    """Return the name of a command; 'suit-command-custom(N)' for an application's own."""
    if number < CUSTOM_BELOW:
        return f"suit-command-custom({number})"
    return _known(Condition, number) or _known(Directive, number) or f"command({number})"


def parameter_word(number: int) -> str:
    """Return the name of a parameter; 'suit-parameter-custom(N)' for an application's own."""
    if number < CUSTOM_BELOW:
        return f"suit-parameter-custom({number})"
    return _known(Parameter, number) or f"parameter({number})"


def manifest_word(number: int) -> str:
    """Return the name of a manifest member."""
    return _known(ManifestKey, number) or f"member({number})"


def text_word(number: int, *, component: bool) -> str:
    """Return the name of a text field, of a component or of the whole manifest."""
    return _known(ComponentTextKey if component else TextKey, number) or f"suit-text-custom({number})"


def digest_word(algorithm: int) -> str:
    """Return the name of a digest algorithm."""
    try:
        return _DIGESTS[DigestAlgorithm(algorithm)]
    except ValueError:
        return algorithm_name(algorithm)


def policy_word(policy: int) -> str:
    """Return a reporting policy in few letters: records and system information, on success and failure.

    >>> policy_word(15), policy_word(2), policy_word(0)
    ('record always, sysinfo always', 'record on failure', 'record never')
    """
    parts = []
    for name, success, failure in (
        ("record", ReportingPolicy.SEND_RECORD_ON_SUCCESS, ReportingPolicy.SEND_RECORD_ON_FAILURE),
        ("sysinfo", ReportingPolicy.SEND_SYSINFO_ON_SUCCESS, ReportingPolicy.SEND_SYSINFO_ON_FAILURE),
    ):
        when = {(True, True): "always", (True, False): "on success", (False, True): "on failure"}.get(
            (bool(policy & success), bool(policy & failure))
        )
        if when:
            parts.append(f"{name} {when}")
    return ", ".join(parts) or "record never"
