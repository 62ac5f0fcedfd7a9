"""A product file from what firmware says: each value with its source, a TODO line for what it does not tell."""

from __future__ import annotations

from collections.abc import Iterator

from rootwright.bring.firmware import FirmwareFile, ProposedImage
from rootwright.bring.product_import import ProposedProduct
from rootwright.bring.text import commented, quoted, todo
from rootwright.describe.chip import Lock, ProtectionKind
from rootwright.describe.open_points import MARK
from rootwright.describe.product import ImageRole, Procedure
from rootwright.describe.units import address_words, size_words

STAND_IN_VERSION = "1.0.0"


def product_text(product: ProposedProduct) -> str:
    """Return the text of a product file; `rootwright check` reads it and lists its TODO lines."""
    parts = (_head(product), _update(product), _images(product), _keeps(product), _pins(product), _rest(product))
    return "\n".join((*(line for part in parts for line in part), ""))


def _head(product: ProposedProduct) -> Iterator[str]:
    yield "# Proposed by `rootwright import` from the firmware named below. Behind a value stands what it was told by."
    yield f"# Lines that begin with {MARK} are what no firmware says, and the values below them only stand in;"
    yield "# `rootwright check` lists these lines until you take them out."
    yield ""
    yield "[product]"
    yield todo("name, model and maker as on the type plate, and the hardware revision")
    yield 'name = "My product"'
    yield 'model = "MP-1"'
    yield 'maker = "My company"'
    yield 'revision = "A"'
    yield todo("domain and class that identify the devices that take the same update; they must never change")
    yield 'vendor_domain = "my-company.example"'
    yield 'class_name = "MP-1 rev A"'
    yield f"chip = {quoted(product.chip_name)}"
    yield ""


def _update(product: ProposedProduct) -> Iterator[str]:
    yield "[update]"
    yield todo(
        f"the update procedure: taken because of {product.procedure_from}; `rootwright plan` compares all of them"
    )
    yield f'procedure = "{product.procedure.value}"'
    yield todo(
        "sequence number of the next release, above every one that a device has seen; watchdog period, if it has one"
    )
    yield "sequence = 1"
    if product.procedure in (Procedure.EXCHANGE_FIXED, Procedure.EITHER_SLOT):
        yield todo("whether a new image runs on trial first")
        yield "trial = false"
    yield ""


def _images(product: ProposedProduct) -> Iterator[str]:
    for image in product.images:
        yield from _image(image)
    if product.lacks_boot_stage:
        yield todo("the boot stage; none of the files holds the reset address")
        yield from ("[[image]]", 'name = "boot"', 'role = "boot stage"', 'version = "1.0.0"')
        yield f'size = "{size_words(_stand_in(product))}"'
        yield ""
    if product.lacks_application:
        yield todo("the image that updates replace; no file of it was given")
        yield from ("[[image]]", 'name = "application"', 'role = "application"', 'version = "1.0.0"')
        yield f'size = "{size_words(_stand_in(product))}"'
        yield ""


def _stand_in(product: ProposedProduct) -> int:
    """Return a size for an image that is not there: one of the part's largest sectors."""
    return max(
        run.size for memory in product.chip.memories if memory.executable for run in memory.runs if memory.erases
    )


def _image(image: ProposedImage) -> Iterator[str]:
    file = image.file
    yield "[[image]]"
    yield f'name = "{image.name}"'
    if image.role is not ImageRole.BOOT_STAGE or "nothing here" in image.role_from:
        yield todo(f"the role of {image.name}: told by {image.role_from}")
    yield f'role = "{image.role.value}"  # told by {commented(image.role_from)}'
    older = image.precursor
    if not file.version:
        yield todo(f"the version of {file.name}")
    yield f'version = "{file.version or STAND_IN_VERSION}"{_told(file.version_from)}'
    yield f"file = {quoted(file.name)}"
    if image.second is not None:
        yield f"second_file = {quoted(image.second.name)}  # linked for {address_words(image.second.image.start)}"
    if older is not None:
        yield f"precursor = {quoted(older.name)}"
        if image.precursor_second is not None:
            yield f"precursor_second = {quoted(image.precursor_second.name)}"
        yield f'precursor_version = "{older.version or "0"}"{_told(older.version_from)}'
    if file.header:
        gap = f"{address_words(file.slot)} to {address_words(file.image.start)}"
        yield todo(f"the {file.header} bytes in front of {image.name} ({gap}) are taken for its header")
        yield f"header = {file.header}  # slot told by {commented(file.slot_from)}"
    yield from _vectors(image, file)
    if image.updatable:
        yield todo(f"how much {image.name} may still grow over the product's life")
        yield 'growth = "0 %"'
    yield ""


def _vectors(image: ProposedImage, file: FirmwareFile) -> Iterator[str]:
    if file.vectors:
        at = address_words(file.image.start + file.vectors)
        yield todo(f"{image.name} has its vector table at {at}; what stands in front of it in the file?")
        yield f"vectors = {file.vectors}"
    elif file.vectors is None and file.image.machine != "riscv" and image.role is ImageRole.APPLICATION:
        yield todo(f"no vector table was found in {image.name}; a release needs one at its start")


def _told(source: str) -> str:
    return f"  # {commented(source)}" if source else ""


def _keeps(product: ProposedProduct) -> Iterator[str]:
    for keep in product.keeps:
        yield "[[keep]]"
        yield todo(f"what {keep.name} is: it is kept as it is until you say otherwise ({keep.told})")
        yield f'name = "{keep.name}"'
        yield f'size = "{size_words(keep.size)}"'
        yield ""


def _pins(product: ProposedProduct) -> Iterator[str]:
    for block in product.blocks:
        yield "[[pin]]"
        if not block.sure:
            yield todo(f"whether this is {block.block}: told by the name alone ({block.told})")
        yield f'block = "{block.block}"'
        yield f"at = {address_words(block.address)}  # {commented(block.told)}"
        if block.size is not None:
            yield f'size = "{size_words(block.size)}"'
        yield ""
    for keep in product.keeps:
        yield from ("[[pin]]", f'block = "keep:{keep.name}"', f"at = {address_words(keep.address)}", "")


def _rest(product: ProposedProduct) -> Iterator[str]:
    protections = product.chip.find_protections(ProtectionKind.WRITE_PROTECTION)
    lasting = any(protection.lock is not Lock.NONE for protection in protections)
    yield "[link]"
    yield todo("how updates reach the device, and at which rate")
    yield from ('name = "service cable"', 'rate = "1 kB/s"', "interrupted = true", "")
    yield "[fleet]"
    yield todo("how many devices, for how long, and how many updates a year")
    yield from ("devices = 1_000", 'life = "10 years"', "updates_per_year = 2", "")
    yield "[[key]]"
    yield todo("the key that signs releases; this one is a throw-away")
    yield from ('name = "release"', 'algorithm = "ESP256"', 'file = "keys/release-demo.pem"', "demo = true", "")
    yield "[lock]"
    yield todo("what is really under write protection in the field; locking a part is often irreversible")
    yield 'write_protect = ["boot", "keys", "floor"]' if lasting else "write_protect = []"
    yield ""
    yield "[attackers]"
    yield todo("who is in scope")
    yield 'in_scope = ["network", "exploited application"]'
    for note in product.notes:
        yield f"# note: {commented(note)}"
