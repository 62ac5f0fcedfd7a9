"""What a release says to people: which images in which versions, and what the update brings."""

from __future__ import annotations

from rootwright.cose import cbor
from rootwright.describe.product import Procedure, Product
from rootwright.release.shape import STAGED, run_component, stage_component
from rootwright.suit.numbers import ComponentTextKey, TextKey
from rootwright.suit.structures import ComponentIdentifier, LanguageText, Text

_Fields = tuple[tuple[int, str], ...]


def make_text(product: Product, shape: Procedure) -> Text:
    """Return the text of a release, in English; it is no instruction to any device."""
    about: list[tuple[ComponentIdentifier, _Fields]] = []
    for spec in product.updatable_images:
        run: _Fields = (
            (int(ComponentTextKey.VENDOR_NAME), product.maker),
            (int(ComponentTextKey.MODEL_NAME), product.model),
            (int(ComponentTextKey.VENDOR_DOMAIN), product.vendor_domain),
            (int(ComponentTextKey.COMPONENT_DESCRIPTION), f"{spec.name} ({spec.role.value}), where it runs"),
            (int(ComponentTextKey.COMPONENT_VERSION), spec.version),
        )
        about.append((run_component(spec.name), tuple(pair for pair in run if pair[1])))
        if shape in STAGED:
            waits = f"{spec.name}, where it waits for the boot stage"
            staged = (
                (int(ComponentTextKey.COMPONENT_DESCRIPTION), waits),
                (int(ComponentTextKey.COMPONENT_VERSION), spec.version),
            )
            about.append((stage_component(spec.name), tuple(pair for pair in staged if pair[1])))
    # Keys of a CBOR map stand in the order of their encodings (RFC 8949 section 4.2.1).
    about.sort(key=lambda entry: cbor.encode(list(entry[0])))
    versions = ", ".join(f"{spec.name} {spec.version}" for spec in product.updatable_images)
    what = product.update.description or f"Release {product.update.sequence} of {product.name}"
    whole = (
        (int(TextKey.MANIFEST_DESCRIPTION), f"{product.model}, release {product.update.sequence}: {versions}"),
        (int(TextKey.UPDATE_DESCRIPTION), what),
    )
    return Text((LanguageText("en", whole, tuple(about)),))
