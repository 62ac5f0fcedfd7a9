"""The words of an attack review: what an attacker wins, what a step costs, what stands in its way. Frozen.

`attack_file` reads steps from TOML: the packaged catalogue and a product's own. `rootwright.review` rates them. The
factors and their levels are those of ISO/IEC 18045, annex on attack potential.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Asset(StrEnum):
    """What an attacker may be after."""

    BOOT_CODE = "boot code"
    APPLICATION = "application authenticity"
    SIGNING_KEYS = "signing keys"
    DEVICE_KEYS = "device keys"
    VERSION_FLOOR = "version floor"
    CONFIDENTIALITY = "firmware confidentiality"
    AVAILABILITY = "availability"
    KEEP_AREAS = "keep-areas"


class Gain(StrEnum):
    """What a step gives an attacker, short of an asset."""

    ON_THE_LINK = "on the link"
    OWN_DEVICE = "own device"
    AT_THE_DEVICE = "at the device"
    OPEN_BOARD = "open board"
    ON_THE_LINE = "on the production line"
    AT_THE_AUTHOR = "at the author"
    AT_THE_SERVER = "at the firmware server"
    KNOWN_FLAW = "known flaw in the firmware"
    KNOWN_BOOT_FLAW = "known flaw in the boot stage"
    TASK_CODE = "code in an unprivileged task"
    APPLICATION_CODE = "code in the application"
    BOOT_TIME_CODE = "code before the locks are set"
    OFFERS_UPDATES = "offers updates"
    SIGNED_UPDATE = "signed malicious update"
    OLD_RELEASE_RUNS = "old release runs"
    DEBUG_ACCESS = "debug access"
    BUS_ACCESS = "access to the external bus"
    FAULT_POINT = "known moment for a fault"
    CHECK_SKIPPED = "check skipped once"
    FLASH_READ = "flash content read"
    UPDATE_FILE = "update file in hand"
    LINE_SECRETS = "secrets of the production line"


class Fact(StrEnum):
    """What is true of a product, as far as attack steps ask."""

    # What makes a step possible.
    EXTERNAL_MEMORY = "external memory in use"
    EXTERNAL_CODE = "external code"
    EXTERNAL_STAGING = "external staging"
    EXTERNAL_RECORDS = "external records"
    DEMO_KEY = "demonstration key"
    CLEAR_PAYLOADS = "clear payloads"
    RADIO_STACK = "radio stack"
    SETTINGS_AREA = "settings area"
    LOCKS_FALL_AT_RESET = "locks fall at reset"
    FAILS_UNDER_CUTS = "procedure fails under power cuts"
    FAULT_HITS = "faults found on the bench"
    HAS_KEEP_AREAS = "keep-areas"
    # What stands in an attacker's way, seen in chip, product, plan or lock-down.
    SIGNED_RELEASES = "signed releases"
    VERSION_FLOOR = "version floor"
    BOOT_LOCKED = "boot stage locked"
    KEYS_LOCKED = "trust anchors locked"
    FLOOR_LOCKED = "version floor locked"
    SLOTS_LOCKED = "run slots locked"
    WAY_BACK_LOCKED = "way back locked"
    LOGS_LOCKED = "logs locked"
    KEEP_LOCKED = "keep-areas locked"
    DEBUG_LOCK = "debug lock"
    DEBUG_LOCK_FOR_EVER = "debug lock for ever"
    READ_LOCK = "external read lock"
    EXECUTE_ONLY = "execute-only area"
    SECRETS_APART = "secrets apart from the application"
    UNPRIVILEGED = "application runs unprivileged"
    FIXED_ENTRY = "fixed reset entry"
    INLINE_DECRYPTION = "inline decryption"
    TAMPER_INPUT = "tamper input"
    WATCHDOG = "watchdog"
    WAY_BACK = "trial and way back"
    RECOVERY = "recovery image"
    HOLDS_UNDER_CUTS = "procedure holds under power cuts"
    BENCH_CLEAN = "bench found no fault"
    # What only the product's owner can say.
    KEY_IN_HARDWARE = "signing key in hardware"
    TWO_PEOPLE_SIGN = "two people sign"
    REPRODUCIBLE_BUILD = "reproducible build"
    DOUBLE_CHECKS = "double checks"
    RANDOM_DELAYS = "random delays"
    SIDE_CHANNEL_HARDENED = "side-channel hardened"
    SEALED_ENCLOSURE = "sealed enclosure"
    PER_DEVICE_KEYS = "per-device keys"
    LINE_TWO_PEOPLE = "two people on the line"
    PROTECTED_LINK = "protected link"
    GUARDED_SERVER = "guarded firmware server"


class Measure(StrEnum):
    """Protections that no file of a product shows; the product's owner declares them."""

    KEY_IN_HARDWARE = "signing key in hardware"
    TWO_PEOPLE_SIGN = "two people sign"
    REPRODUCIBLE_BUILD = "reproducible build"
    DOUBLE_CHECKS = "double checks"
    RANDOM_DELAYS = "random delays"
    SIDE_CHANNEL_HARDENED = "side-channel hardened"
    SEALED_ENCLOSURE = "sealed enclosure"
    PER_DEVICE_KEYS = "per-device keys"
    LINE_TWO_PEOPLE = "two people on the line"
    PROTECTED_LINK = "protected link"
    GUARDED_SERVER = "guarded firmware server"


class StepKind(StrEnum):
    """Where a step is taken."""

    ACCESS = "access"
    CODE = "code"
    NETWORK = "network"
    PROBE = "probe"
    BUS = "bus"
    GLITCH = "glitch"
    SIDE_CHANNEL = "side channel"
    POWER = "power cut"
    LINE = "production line"
    AUTHOR = "author's side"


class Expertise(StrEnum):
    """What a step asks of the people who take it."""

    LAYMAN = "layman"
    PROFICIENT = "proficient"
    EXPERT = "expert"


class Knowledge(StrEnum):
    """What a step asks to be known of the product."""

    PUBLIC = "public"
    RESTRICTED = "restricted"
    SENSITIVE = "sensitive"
    CRITICAL = "critical"


class Equipment(StrEnum):
    """What a step asks of tools."""

    STANDARD = "standard"
    SPECIALISED = "specialised"
    BESPOKE = "bespoke"


class Resist(StrEnum):
    """The attack potential that a product asks its assets to withstand."""

    BASIC = "basic"
    ENHANCED_BASIC = "enhanced-basic"
    MODERATE = "moderate"
    HIGH = "high"


class Again(StrEnum):
    """What a step costs at each further device, once it was done for the first."""

    SAME = "same"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Effort:
    """What one step costs, as one rater guesses it.

    Attributes:
        days: Elapsed time in days.
        field: Field of the expert, such as "firmware"; empty below expert.
        access_hours: Hours of access that somebody could notice or refuse; 0 where there is no such limit.
        samples: Devices that are used up.
        rig: Name of the equipment; empty where it is standard.
    """

    days: float = 0.0
    expertise: Expertise = Expertise.LAYMAN
    field: str = ""
    knowledge: Knowledge = Knowledge.PUBLIC
    access_hours: float = 0.0
    samples: int = 0
    equipment: Equipment = Equipment.STANDARD
    rig: str = ""


@dataclass(frozen=True, slots=True)
class Range:
    """A guess with its two ends: no factor of `low` is above that of `high`."""

    low: Effort = Effort()
    high: Effort = Effort()


@dataclass(frozen=True, slots=True)
class Raise:
    """What a protection adds to a step that it does not block: days, hours and samples are added, levels are minima."""

    by: Fact
    more: Range
    why: str


@dataclass(frozen=True, slots=True)
class AttackStep:
    """One step that an attacker can take.

    Attributes:
        needs: Gains that the attacker must have first, all of them.
        gives: Gains and assets that it yields.
        when: Facts that must hold for the step to make sense.
        blocked_by: Protections any one of which stops it.
        raised_by: Protections that make it dearer.
        first: What it costs the first time.
        again: What it costs at each further device.
        threats: Identifiers of RFC 9124 that it stands for.
        why: The reason for the rating, in a line.
        source: Where the step is described, or "common practice, no source".
        rater: Who rated it; empty for the packaged catalogue.
    """

    id: str
    title: str
    kind: StepKind
    needs: tuple[Gain, ...]
    gives: tuple[Gain | Asset, ...]
    when: tuple[Fact, ...]
    blocked_by: tuple[Fact, ...]
    raised_by: tuple[Raise, ...]
    first: Range
    again: Range
    threats: tuple[str, ...]
    why: str
    source: str
    rater: str = ""


@dataclass(frozen=True, slots=True)
class Review:
    """What a product says of its review.

    Attributes:
        resist: The attack potential that its assets must withstand; None asks nothing.
        measures: Protections that it declares.
        steps: Steps of its own; one with the id of a packaged step takes its place.
    """

    resist: Resist | None = None
    measures: tuple[Measure, ...] = ()
    steps: tuple[AttackStep, ...] = ()
