"""Parameters: the form of each value, and the typed view that a component store receives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rootwright.cose import cbor
from rootwright.errors import FormatError
from rootwright.suit.digest import SIZES_BYTES, UnsupportedDigest
from rootwright.suit.numbers import CBOR_PEN_TAG, CUSTOM_BELOW, Parameter
from rootwright.suit.structures import CborPen, Digest, ParameterValue, Raw
from rootwright.suit.words import parameter_word

#: Parameters of extensions that are kept as they are and refused by the interpreter.
EXTENSIONS = frozenset(
    {
        Parameter.USE_BEFORE,
        Parameter.MINIMUM_BATTERY,
        Parameter.UPDATE_PRIORITY,
        Parameter.VERSION,
        Parameter.WAIT_INFO,
        Parameter.COMPONENT_METADATA,
    }
)


@dataclass(frozen=True, slots=True)
class Parameters:
    """The parameters set for one component at the moment of a command; None for what is not set."""

    vendor_identifier: bytes | CborPen | None = None
    class_identifier: bytes | None = None
    device_identifier: bytes | None = None
    image_digest: Digest | None = None
    image_size: int | None = None
    component_slot: int | None = None
    content: bytes | None = None
    uri: str | None = None
    source_component: int | None = None
    invoke_args: bytes | None = None
    fetch_arguments: bytes | None = None
    encryption_info: bytes | None = None

    @classmethod
    def of(cls, values: Mapping[int, ParameterValue]) -> Parameters:
        """Return the view of a parameter table, by number; flow control and extensions are left out."""
        names = {parameter.value: parameter.name.lower() for parameter in Parameter}
        known = {names[number]: value for number, value in values.items() if number in names}
        return cls(**{name: value for name, value in known.items() if name in cls.__slots__})  # type: ignore[arg-type]


def decode_digest(item: cbor.Item, what: str) -> Digest:
    """Return a SUIT_Digest; an unknown algorithm or a wrong length is refused."""
    algorithm, value = item.array(what, size=2)
    number = algorithm.integer(f"{what}: algorithm")
    if number not in SIZES_BYTES:
        raise UnsupportedDigest(
            f"{what}: digest algorithm {number} is not accepted",
            where=f"byte {algorithm.offset}",
            next_step="use SHA-256 (-16)",
        )
    return Digest(number, value.bytes(what, size=SIZES_BYTES[number]))


def _vendor(item: cbor.Item, what: str) -> bytes | CborPen:
    if item.major == 6:
        return CborPen(item.tagged(what, CBOR_PEN_TAG).bytes(what))
    return item.bytes(what, size=16)


def _uuid(item: cbor.Item, what: str) -> bytes:
    return item.bytes(what, size=16)


_READERS: dict[int, Callable[[cbor.Item, str], ParameterValue]] = {
    Parameter.VENDOR_IDENTIFIER: _vendor,
    Parameter.CLASS_IDENTIFIER: _uuid,
    Parameter.DEVICE_IDENTIFIER: _uuid,
    Parameter.IMAGE_DIGEST: lambda item, what: decode_digest(item.wrapped(what), what),
    Parameter.COMPONENT_SLOT: cbor.Item.uint,
    Parameter.IMAGE_SIZE: cbor.Item.uint,
    Parameter.SOURCE_COMPONENT: cbor.Item.uint,
    Parameter.STRICT_ORDER: cbor.Item.boolean,
    Parameter.SOFT_FAILURE: cbor.Item.boolean,
    Parameter.CONTENT: lambda item, what: item.bytes(what),
    Parameter.INVOKE_ARGS: lambda item, what: item.bytes(what),
    Parameter.FETCH_ARGUMENTS: lambda item, what: item.bytes(what),
    Parameter.ENCRYPTION_INFO: lambda item, what: item.bytes(what),
    Parameter.URI: cbor.Item.text,
}


def decode_parameters(item: cbor.Item) -> tuple[tuple[int, ParameterValue], ...]:
    """Return a parameter map in its order; unknown parameters and wrong forms are refused."""
    pairs = item.pairs("parameters")
    if not pairs:
        raise cbor.mistake(item.offset, "suit-directive-override-parameters sets nothing")
    result: list[tuple[int, ParameterValue]] = []
    for key, value in pairs:
        number = key.integer("parameter number")
        word = parameter_word(number)
        if number in _READERS:
            result.append((number, _READERS[number](value, word)))
        elif number in EXTENSIONS:
            result.append((number, Raw(value.encoded)))
        elif number < CUSTOM_BELOW:
            if value.major not in (0, 1, 2, 3) and not (value.major == 7 and isinstance(value.scalar, bool)):
                raise cbor.mistake(value.offset, f"{word}: expected an integer, boolean, text or bytes")
            result.append((number, Raw(value.encoded)))
        else:
            raise cbor.mistake(key.offset, f"parameter {number} is not known")
    return tuple(result)


def encode_digest(digest: Digest) -> cbor.Value:
    """Return a SUIT_Digest for the writer."""
    return [digest.algorithm, digest.value]


def encode_parameter(number: int, value: ParameterValue) -> cbor.Value:
    """Return one parameter's value for the writer; a value of the wrong form is a FormatError."""
    if isinstance(value, Raw):
        encoded: cbor.Value = cbor.Encoded(value.encoded)
    elif isinstance(value, Digest):
        encoded = cbor.encode(encode_digest(value))
    elif isinstance(value, CborPen):
        encoded = cbor.Tag(CBOR_PEN_TAG, value.relative_oid)
    else:
        encoded = value
    # Reading it back checks the form here, where the author can mend it, and not at a device.
    try:
        decode_parameters(cbor.decode(cbor.encode({number: encoded})))
    except FormatError as error:
        raise FormatError(error.found, where=parameter_word(number), next_step="mend the value") from None
    return encoded
