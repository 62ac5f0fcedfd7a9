"""The form of product.toml, and how it becomes a `Product`."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from rootwright.describe.attack_file import ReviewForm
from rootwright.describe.bench_file import BenchForm
from rootwright.describe.chip import Chip
from rootwright.describe.fields import (
    BlockName,
    Domain,
    FilePath,
    Life,
    Name,
    Rate,
    Remark,
    Share,
    Size,
    Text,
    Time,
    Version,
    YesNo,
    choice,
    procedure_reader,
    real,
    whole,
)
from rootwright.describe.forms import Form
from rootwright.describe.own_format_file import BootForm
from rootwright.describe.product import (
    Assumption,
    Attacker,
    Fleet,
    ImageRole,
    ImageSpec,
    KeepArea,
    KeySpec,
    Link,
    Migration,
    PayloadPlace,
    Pin,
    Procedure,
    Product,
    Update,
)


class KeyAlgorithm(StrEnum):
    """The signature algorithms that a release key can have, by their COSE names."""

    ESP256 = "ESP256"
    ED25519 = "Ed25519"


class ProductHeadForm(Form):
    """The product as a whole."""

    name: Text = Field(description="Name of the product.")
    model: Text = Field(description="Model designation as it stands on the type plate.")
    maker: Text = Field(description="Who makes it.")
    revision: Text = Field(description="Hardware revision that this file describes.")
    vendor_domain: Domain = Field(
        description="Domain name of the maker; the vendor identifier is made from it (RFC 9124)."
    )
    class_name: Text = Field(
        description="Name of the class of devices that can take the same update; the class identifier is made from it."
    )
    chip: Text = Field(
        description='The part: a chip file beside this one ("part.toml") or the name of a packaged profile.'
    )


class UpdateForm(Form):
    """How this product is updated."""

    procedure: Annotated[str, procedure_reader(Procedure)] = Field(
        description='The update procedure, or "module:Class" of your own.'
    )
    sequence: Annotated[int, whole(1, 2**63 - 1)] = Field(
        description="Sequence number of the release that this file describes; each release has a higher one."
    )
    staging: Name | None = Field(
        default=None, description="Name of the memory that holds a staged image; the plan decides if not given."
    )
    floor: Name | None = Field(
        default=None,
        description="Name of the one-time words that hold the version floor; a log in flash if not given.",
    )
    trial: YesNo = Field(
        default=True, description="Whether a new image first runs on trial, where the procedure has a way back."
    )
    payload: Annotated[PayloadPlace, choice(PayloadPlace)] = Field(
        default=PayloadPlace.DETACHED, description="Whether payloads travel inside the envelope or are fetched by URI."
    )
    uri: Remark = Field(default="", description="Where the payloads can be fetched: the beginning of their URIs.")
    watchdog: Time | None = Field(
        default=None, description="Watchdog period while the boot stage runs; leave it out where there is none."
    )
    description: Remark = Field(default="", description="What this release brings, for the manifest's text.")


class ImageForm(Form):
    """One firmware image. Paths start at this file's folder."""

    name: Name = Field(description="Short name of the image; block names are made from it.")
    role: Annotated[ImageRole, choice(ImageRole)] = Field(description="What the image is for.")
    version: Version = Field(description="Version of the new image.")
    file: FilePath | None = Field(
        default=None,
        description="The new version's file (ELF, HEX, S-record or raw binary), linked for the first slot. Leave it "
        "out while planning ahead and give `size`.",
    )
    second_file: FilePath | None = Field(default=None, description="The same version linked for the second slot.")
    precursor: FilePath | None = Field(
        default=None, description="File of the installed version, for patches and trials."
    )
    precursor_second: FilePath | None = Field(
        default=None, description="The installed version linked for the second slot."
    )
    precursor_version: Version | None = Field(default=None, description="Version of the installed image.")
    growth: Share = Field(
        default=0.0, description='How much the image may still grow over the product\'s life, such as "15 %".'
    )
    header: Size = Field(default=0, description="What a header takes in front of the code in the slot.")
    trailer: Size = Field(default=0, description="What a trailer takes behind the code in the slot.")
    at: Size | None = Field(default=None, description="Address of its first slot; the plan decides if not given.")
    size: Size | None = Field(default=None, description="Size of its slot; the plan decides if not given.")
    memory: Name | None = Field(
        default=None, description="Name of the memory it must be in; any executable one if not given."
    )
    base: Size | None = Field(
        default=None, description="Load address of a raw binary file; other files hold their own."
    )
    view: Name | None = Field(
        default=None,
        description="Name of the part's view through which its code runs and for which it is linked; the memory's own "
        "addresses if not given.",
    )

    vectors: Size = Field(
        default=0, description="Where the vector table stands in the file, counted from its first byte."
    )

    def image(self) -> ImageSpec:
        """Return the image with sizes in bytes."""
        return ImageSpec(
            name=self.name,
            role=self.role,
            version=self.version,
            file=self.file,
            second_file=self.second_file,
            precursor=self.precursor,
            precursor_second=self.precursor_second,
            precursor_version=self.precursor_version or "",
            growth=self.growth,
            header_bytes=self.header,
            trailer_bytes=self.trailer,
            at=self.at,
            size=self.size,
            memory=self.memory,
            base=self.base,
            view=self.view,
            vectors=self.vectors,
        )


class MigrateForm(Form):
    """A declared change of a keep-area's form. It asks for a spare of the same size and a log of its own."""

    before: Annotated[int, whole(0, 2**31 - 1)] = Field(description="Schema number that the installed version reads.")
    after: Annotated[int, whole(0, 2**31 - 1)] = Field(description="Schema number that the new version reads.")
    at: Size | None = Field(default=None, description="Address of the spare; the plan decides if not given.")
    memory: Name | None = Field(
        default=None, description="Name of the memory of the spare; the keep-area's own if not given."
    )

    def migration(self) -> Migration:
        """Return the change."""
        return Migration(self.before, self.after, self.at, self.memory)


class KeepForm(Form):
    """Data that no update may touch: settings, calibration, logs, certificates."""

    name: Name = Field(description='Short name; its block is called "keep:" and this name.')
    size: Size = Field(description="Bytes that the data needs; the plan rounds up to whole sectors.")
    at: Size | None = Field(default=None, description="Its address; the plan decides if not given.")
    memory: Name | None = Field(default=None, description="Name of the memory it must be in.")
    file: FilePath | None = Field(default=None, description="File with the data as delivered, for trials.")
    migrate: MigrateForm | None = Field(
        default=None, description="How this release changes the data's form; leave it out where the form stays."
    )

    def area(self) -> KeepArea:
        """Return the keep-area."""
        migrate = self.migrate.migration() if self.migrate else None
        return KeepArea(self.name, self.size, self.at, self.memory, self.file, migrate)


class PinForm(Form):
    """Your decision on one planned block."""

    block: BlockName = Field(description='Name of the block, such as "boot", "run:application" or "journal".')
    at: Size | None = Field(default=None, description="Its address.")
    size: Size | None = Field(default=None, description="Its size: whole sectors.")
    memory: Name | None = Field(default=None, description="Name of the memory it must be in.")


class LinkForm(Form):
    """How updates reach the device."""

    name: Text = Field(description="What the link is, in your words.")
    rate: Rate = Field(description='Payload rate that the device really gets, such as "180 B/s".')
    interrupted: YesNo = Field(default=True, description="Whether a download is often cut off.")


class FleetForm(Form):
    """The devices in the field over their life."""

    devices: Annotated[int, whole(1, 10**10)] = Field(description="How many devices there will be.")
    life: Life = Field(description="How long a device is meant to be in service.")
    updates_per_year: Annotated[float, real(0, 10_000)] = Field(
        description="How many releases a device takes in a year."
    )


class KeyForm(Form):
    """A key that signs releases."""

    name: Name = Field(description="Short name of the key.")
    algorithm: Annotated[KeyAlgorithm, choice(KeyAlgorithm)] = Field(description="Its signature algorithm.")
    file: FilePath = Field(description="Its private key file; only signing needs it to be there.")
    demo: YesNo = Field(
        default=False, description="Whether this is a throw-away key for demonstrations, made when it is missing."
    )


class LockForm(Form):
    """What is locked in the field. Locking a part is often irreversible."""

    write_protect: list[BlockName] = Field(
        default=[], description='Names of the blocks under write protection, such as "boot", "keys", "floor".'
    )
    secret: list[BlockName] = Field(
        default=[], description='Names of the blocks that the application must not even read, such as "keys".'
    )
    application_unprivileged: YesNo = Field(
        default=False,
        description="Whether everything outside the boot stage runs unprivileged, or in user mode. A protection unit "
        "isolates nothing without that.",
    )
    order: list[Name] = Field(
        default=[], description="Your own order of locking, by step; the plan decides if not given."
    )


class AttackersForm(Form):
    """Who is in scope of the product's checks."""

    in_scope: list[Annotated[Attacker, choice(Attacker)]] = Field(
        default=[], description="The attackers that the product is meant to withstand."
    )


class AssumptionForm(Form):
    """What you say of one assumption of the tool."""

    id: Text = Field(description="The assumption's identifier, as the reports print it.")
    owner: Remark = Field(default="", description="Who answers for it.")
    page: Remark = Field(default="", description="Page of the data sheet or document that supports it.")


class ProductForm(Form):
    """One product as its engineer describes it: images, update, keep-areas, keys."""

    product: ProductHeadForm = Field(description="The product as a whole.")
    update: UpdateForm = Field(description="How it is updated.")
    image: list[ImageForm] = Field(description="One table [[image]] for each firmware image.")
    keep: list[KeepForm] = Field(default=[], description="One table [[keep]] for each area that no update may touch.")
    pin: list[PinForm] = Field(default=[], description="One table [[pin]] for each block whose place you decide.")
    link: LinkForm = Field(description="How updates reach the device.")
    fleet: FleetForm = Field(description="The devices in the field.")
    key: list[KeyForm] = Field(default=[], description="One table [[key]] for each key that signs releases.")
    lock: LockForm = Field(default=LockForm(), description="What is locked in the field.")
    attackers: AttackersForm = Field(default=AttackersForm(), description="Who is in scope.")
    assumption: list[AssumptionForm] = Field(
        default=[], description="One table [[assumption]] for each assumption you answer for."
    )
    review: ReviewForm = Field(default=ReviewForm(), description="What the review asks.")
    boot: BootForm = Field(default=BootForm(), description="The boot stage as other images meet it.")
    bench: BenchForm | None = Field(default=None, description="How the bench reaches the boot program.")

    def build(self, chip: Chip) -> Product:
        """Return the product on its part; only for a form without mistakes."""
        head, update = self.product, self.update
        return Product(
            name=head.name,
            model=head.model,
            maker=head.maker,
            revision=head.revision,
            vendor_domain=head.vendor_domain,
            class_name=head.class_name,
            chip=chip,
            images=tuple(image.image() for image in self.image),
            update=Update(
                procedure=update.procedure,
                sequence=update.sequence,
                staging=update.staging,
                floor=update.floor,
                trial=update.trial,
                payload=update.payload,
                uri=update.uri,
                watchdog_s=update.watchdog,
                description=update.description,
            ),
            fleet=Fleet(self.fleet.devices, self.fleet.life, self.fleet.updates_per_year),
            link=Link(self.link.name, self.link.rate, self.link.interrupted),
            keys=tuple(KeySpec(key.name, key.algorithm.value, key.file, key.demo) for key in self.key),
            keep=tuple(keep.area() for keep in self.keep),
            pins=tuple(Pin(pin.block, pin.at, pin.size, pin.memory) for pin in self.pin),
            protect=tuple(self.lock.write_protect),
            attackers=tuple(self.attackers.in_scope),
            assumptions=tuple(Assumption(a.id, a.owner, a.page) for a in self.assumption),
            secret=tuple(self.lock.secret),
            unprivileged=self.lock.application_unprivileged,
            lock_order=tuple(self.lock.order),
            review=self.review.review(),
            bench=None if self.bench is None else self.bench.bench(),
            format=None if self.boot.format is None else self.boot.format.own_format(),
        )
