"""The registry numbers of SUIT manifests, envelopes and reports.

Source: draft-ietf-suit-manifest-34 Appendix A and section 11; the members marked as extensions come from
draft-ietf-suit-trust-domains-12, draft-ietf-suit-update-management-14 and draft-ietf-suit-firmware-encryption-24;
reasons from draft-ietf-suit-report-18. A member's name is the registered name without its prefix; `words` gives the
whole name.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag

ENVELOPE_TAG = 107
CBOR_PEN_TAG = 112
MANIFEST_VERSION = 1
#: Commands, parameters and text keys below this number are an application's own.
CUSTOM_BELOW = -256


class EnvelopeKey(IntEnum):
    """Integer keys of SUIT_Envelope; payloads have text keys."""

    AUTHENTICATION_WRAPPER = 2
    MANIFEST = 3
    COSWID = 14  # extension
    DEPENDENCY_RESOLUTION = 15  # extension
    PAYLOAD_FETCH = 16
    CANDIDATE_VERIFICATION = 18  # extension
    INSTALL = 20
    TEXT = 23


class ManifestKey(IntEnum):
    """Keys of SUIT_Manifest."""

    MANIFEST_VERSION = 1
    MANIFEST_SEQUENCE_NUMBER = 2
    COMMON = 3
    REFERENCE_URI = 4
    MANIFEST_COMPONENT_ID = 5  # extension
    SET_VERSION = 6  # extension
    VALIDATE = 7
    LOAD = 8
    INVOKE = 9
    COSWID = 14  # extension
    DEPENDENCY_RESOLUTION = 15  # extension
    PAYLOAD_FETCH = 16
    CANDIDATE_VERIFICATION = 18  # extension
    INSTALL = 20
    TEXT = 23
    UNINSTALL = 24  # extension


class CommonKey(IntEnum):
    """Keys of SUIT_Common."""

    DEPENDENCIES = 1  # extension
    COMPONENTS = 2
    SHARED_SEQUENCE = 4


class Condition(IntEnum):
    """Commands that test something."""

    VENDOR_IDENTIFIER = 1
    CLASS_IDENTIFIER = 2
    IMAGE_MATCH = 3
    USE_BEFORE = 4  # extension
    COMPONENT_SLOT = 5
    CHECK_CONTENT = 6
    DEPENDENCY_INTEGRITY = 7  # extension
    IS_DEPENDENCY = 8  # extension
    ABORT = 14
    DEVICE_IDENTIFIER = 24
    IMAGE_NOT_MATCH = 25  # extension
    MINIMUM_BATTERY = 26  # extension
    UPDATE_AUTHORIZED = 27  # extension
    VERSION = 28  # extension


class Directive(IntEnum):
    """Commands that do something."""

    PROCESS_DEPENDENCY = 11  # extension
    SET_COMPONENT_INDEX = 12
    TRY_EACH = 15
    WRITE = 18
    SET_PARAMETERS = 19  # extension
    OVERRIDE_PARAMETERS = 20
    FETCH = 21
    COPY = 22
    INVOKE = 23
    WAIT = 29  # extension
    SWAP = 31
    RUN_SEQUENCE = 32
    UNLINK = 33  # extension
    OVERRIDE_MULTIPLE = 34  # extension
    COPY_PARAMS = 35  # extension


class Parameter(IntEnum):
    """Parameters that commands consume."""

    VENDOR_IDENTIFIER = 1
    CLASS_IDENTIFIER = 2
    IMAGE_DIGEST = 3
    USE_BEFORE = 4  # extension
    COMPONENT_SLOT = 5
    STRICT_ORDER = 12
    SOFT_FAILURE = 13
    IMAGE_SIZE = 14
    CONTENT = 18
    ENCRYPTION_INFO = 19  # extension, handed to the component store
    URI = 21
    SOURCE_COMPONENT = 22
    INVOKE_ARGS = 23
    DEVICE_IDENTIFIER = 24
    FETCH_ARGUMENTS = 25
    MINIMUM_BATTERY = 26  # extension
    UPDATE_PRIORITY = 27  # extension
    VERSION = 28  # extension
    WAIT_INFO = 29  # extension
    COMPONENT_METADATA = 30  # extension


class TextKey(IntEnum):
    """Text about the whole manifest."""

    MANIFEST_DESCRIPTION = 1
    UPDATE_DESCRIPTION = 2
    MANIFEST_JSON_SOURCE = 3
    MANIFEST_YAML_SOURCE = 4


class ComponentTextKey(IntEnum):
    """Text about one component."""

    VENDOR_NAME = 1
    MODEL_NAME = 2
    VENDOR_DOMAIN = 3
    MODEL_INFO = 4
    COMPONENT_DESCRIPTION = 5
    COMPONENT_VERSION = 6
    VERSION_REQUIRED = 7  # extension
    CURRENT_VERSION = 8  # extension


class DigestAlgorithm(IntEnum):
    """COSE numbers of the digest algorithms (RFC 9054)."""

    SHA_256 = -16
    SHAKE128 = -18
    SHA_384 = -43
    SHA_512 = -44
    SHAKE256 = -45


class ReportingPolicy(IntFlag):
    """What a command asks to have recorded (section 8.4.7)."""

    NONE = 0
    SEND_RECORD_ON_SUCCESS = 1
    SEND_RECORD_ON_FAILURE = 2
    SEND_SYSINFO_ON_SUCCESS = 4
    SEND_SYSINFO_ON_FAILURE = 8
    ALL = 15


class Reason(IntEnum):
    """Why processing ended (draft-ietf-suit-report-18); 10 covers every failed condition."""

    OK = 0
    CBOR_PARSE = 1
    COSE_UNSUPPORTED = 2
    ALG_UNSUPPORTED = 3
    UNAUTHORISED = 4
    COMMAND_UNSUPPORTED = 5
    COMPONENT_UNSUPPORTED = 6
    COMPONENT_UNAUTHORISED = 7
    PARAMETER_UNSUPPORTED = 8
    SEVERING_UNSUPPORTED = 9
    CONDITION_FAILED = 10
    OPERATION_FAILED = 11
    INVOKE_PENDING = 12


#: Commands that this package executes. The rest of the enumerations is known by name and refused before anything runs.
EXECUTED_CONDITIONS = frozenset(
    {
        Condition.VENDOR_IDENTIFIER,
        Condition.CLASS_IDENTIFIER,
        Condition.IMAGE_MATCH,
        Condition.COMPONENT_SLOT,
        Condition.CHECK_CONTENT,
        Condition.ABORT,
        Condition.DEVICE_IDENTIFIER,
    }
)
#: Directives whose argument is a reporting policy and that act on a component.
EXECUTED_DIRECTIVES = frozenset({Directive.WRITE, Directive.FETCH, Directive.COPY, Directive.INVOKE, Directive.SWAP})
#: Members of a manifest that may be severed, in the order in which they are written.
SEVERABLE = (ManifestKey.PAYLOAD_FETCH, ManifestKey.INSTALL, ManifestKey.TEXT)
#: The same for extensions: known, printed, digest-checked, never executed.
SEVERABLE_EXTENSIONS = (
    ManifestKey.COSWID,
    ManifestKey.DEPENDENCY_RESOLUTION,
    ManifestKey.CANDIDATE_VERIFICATION,
)
#: Manifest members of extensions.
MANIFEST_EXTENSIONS = frozenset(
    {ManifestKey.MANIFEST_COMPONENT_ID, ManifestKey.SET_VERSION, ManifestKey.UNINSTALL, *SEVERABLE_EXTENSIONS}
)
