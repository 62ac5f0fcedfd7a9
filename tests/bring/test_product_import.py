"""Linked firmware into a proposed product: on files whose product is known, and on symbols of every kind."""

from __future__ import annotations

import json
import struct
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rootwright.bring.firmware import propose_images, read_firmware
from rootwright.bring.named_regions import find_named_regions, split_words
from rootwright.bring.product_import import ProposedProduct, propose_product
from rootwright.bring.product_text import product_text
from rootwright.cli import main
from rootwright.describe.chip import Chip
from rootwright.describe.loading import load_chip, load_product
from rootwright.describe.product import ImageRole, Procedure
from rootwright.errors import DescriptionError
from rootwright.image import Image, Segment, Symbol, read_image
from rootwright.pipeline import plan_product

DEMO = Path(__file__).resolve().parents[2] / "demo"
PUMP, GAUGE = DEMO / "pump-controller", DEMO / "river-gauge"
BUILT = PUMP / "firmware/built"


@pytest.fixture(scope="module")
def chip() -> Chip:
    return load_chip(PUMP / "qd-256.toml")


def image(
    start: int = 0x40_4100, *, name: str = "app.elf", size: int = 0x200, symbols: tuple[Symbol, ...] = ()
) -> Image:
    code = struct.pack("<II", 0x2000_8000, start + 0x41) + bytes(size - 8)
    return Image(
        name, "elf", "arm", (Segment(start, code),), start + 0x41, tuple(sorted(symbols, key=lambda s: s.address))
    )


def linker(**values: int) -> tuple[Symbol, ...]:
    return tuple(Symbol(name, value, 0, "other") for name, value in values.items())


def proposed(chip: Chip, *images: Image) -> ProposedProduct:
    return propose_product({one.name: one for one in images}, chip, chip_name="part.toml")


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    printed = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return left.value.code, printed.out, printed.err


# Whole products


def test_the_pump_controller(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    elves = [
        word for name in ("boot", "application-1.2.0", "application-1.1.0") for word in ("--elf", f"{BUILT / name}.elf")
    ]
    code, printed, _ = run(["import", *elves, "--chip", str(PUMP / "qd-256.toml"), "--out", str(tmp_path)], capsys)
    assert code == 0
    assert "a header of 256 bytes" in printed
    product = load_product(tmp_path / "product.toml")
    assert [(i.name, i.role, i.version, i.header_bytes) for i in product.images] == [
        ("boot", ImageRole.BOOT_STAGE, "2.1.0", 0),
        ("application", ImageRole.APPLICATION, "1.2.0", 256),
    ]
    assert product.image("application").precursor_version == "1.1.0"
    assert {(pin.block, pin.at, pin.size) for pin in product.pins} == {
        ("boot", 0x40_0000, None),
        ("run:application", 0x40_4000, 0x1_8000),
        ("stage:application", 0x41_C000, 0x1_8000),
        ("keep:pump-settings", 0x43_F000, None),
    }
    assert product.update.procedure == Procedure.COPY_OVER
    # The slots are those that the firmware's own linker script has, so the map is the product's own.
    plan = plan_product(product, tmp_path)
    assert plan.plan.map is not None
    assert not [finding for finding in plan.findings if finding.rule == "plan.link"]


def test_the_river_gauge_with_two_links_of_two_versions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    elves = [word for path in sorted((GAUGE / "firmware/built").glob("*.elf")) for word in ("--elf", str(path))]
    code, _, _ = run(["import", *elves, "--chip", str(GAUGE / "gx-512.toml"), "--out", str(tmp_path)], capsys)
    assert code == 0
    made, real = load_product(tmp_path / "product.toml"), load_product(GAUGE / "product.toml")
    for spec in real.images:
        ours = made.image(spec.name)
        assert (ours.role, ours.version, ours.precursor_version) == (spec.role, spec.version, spec.precursor_version)
        for key in ("file", "second_file", "precursor", "precursor_second"):
            mine, theirs = getattr(ours, key), getattr(spec, key)
            assert (mine and mine.name) == (theirs and theirs.name), (spec.name, key)
    assert {pin.block: pin.at for pin in made.pins} == {
        pin.block: pin.at
        for pin in real.pins
        if pin.block in ("boot", "recovery", "run:application", "run:radio", "second:application", "second:radio")
    }


@pytest.mark.parametrize("name", ["boot", "application-1.2.0"])
def test_one_file_alone_still_gives_a_product_that_parses(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["import", "--elf", str(BUILT / f"{name}.elf"), "--chip", str(PUMP / "qd-256.toml")]
    assert run([*arguments, "--out", str(tmp_path)], capsys)[0] == 0
    assert len(load_product(tmp_path / "product.toml").images) == 2
    code, printed, _ = run(["check", str(tmp_path / "product.toml")], capsys)
    assert code == 1
    missing = "the image that updates replace" if name == "boot" else "the boot stage; none of the files"
    assert f"to fill in: {tmp_path / 'product.toml'}:" in printed
    assert missing in printed


def test_command_as_json_printed_and_refusing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["import", "--elf", str(BUILT / "boot.elf"), "--chip", str(PUMP / "qd-256.toml")]
    code, printed, _ = run([*arguments, "--json"], capsys)
    assert code == 0
    assert json.loads(printed)["images"][0]["version"] == "2.1.0"
    code, printed, _ = run([*arguments, "--dts", str(PUMP / "part/qd-256.dts")], capsys)
    assert code == 0
    assert any(pin["block"] == "boot" and pin["size"] == "16 KiB" for pin in tomllib.loads(printed)["pin"])
    (tmp_path / "product.toml").write_text("mine")
    code, _, error = run([*arguments, "--out", str(tmp_path)], capsys)
    assert (code, (tmp_path / "product.toml").read_text()) == (2, "mine")
    assert "exists already" in error
    for wrong, said in (
        ("rv32-pmp", "code for arm"),
        ("secure-split", "no memory of secure-split holds"),
        ("qd", "packaged"),
    ):
        code, _, error = run([*arguments[:-1], wrong], capsys)
        assert code == 2
        assert said in error
    assert run(["import", "--chip", "rv32-pmp"], capsys)[0] == 2


# Regions by name


def test_words_of_names() -> None:
    assert split_words("__app_slot_START__") == ("app", "slot", "start")
    assert split_words("g_AppSlotEnd") == ("g", "app", "slot", "end")
    assert split_words("SLOT2_SIZE") == ("slot", "2", "size")


@pytest.mark.parametrize(
    "symbols",
    [
        linker(log_start=0x41_0000, log_end=0x41_1000),
        linker(log_start=0x41_0000, log_size=0x1000),
        linker(__LOG_BASE__=0x41_0000, __LOG_LIMIT__=0x41_0FFF),
        linker(LogAreaStart=0x41_0000, LogAreaLength=0x1000),
        linker(start_of_log=0x41_0000, size_of_log=0x1000),
        linker(LogFlashAddress=0x41_0000, LogFlashTop=0x41_1000),
    ],
)
def test_spellings_of_a_region(symbols: tuple[Symbol, ...], chip: Chip) -> None:
    found = find_named_regions([image(symbols=symbols)], chip)
    assert [(region.words, region.address, region.size) for region in found] == [(("log",), 0x41_0000, 0x1000)]
    assert found[0].source.startswith("app.elf, symbol ")


@pytest.mark.parametrize(
    "symbols",
    [
        linker(data_start=0x2000_0000, data_end=0x2000_1000),  # in RAM
        linker(text_start=0x40_4100, text_end=0x40_4300),  # no whole sectors
        linker(flash_start=0x40_0000, flash_size=0x4_0000),  # the whole memory, and a word that says nothing
        linker(all_start=0x40_0000, all_size=0x4_0000),
        linker(log_start=0x41_0000, log_end=0x41_0000),
        linker(log_start=0x41_0000, log_end=0x40_F000),
        linker(log_start=0x43_F800, log_size=0x1000),  # past the end
        linker(log_start=0x41_0000),
        linker(start=0x41_0000, size=0x1000),
    ],
)
def test_what_is_no_region(symbols: tuple[Symbol, ...], chip: Chip) -> None:
    assert find_named_regions([image(symbols=symbols)], chip) == ()


def test_constants_in_the_file_count_as_their_value(chip: Chip) -> None:
    code = struct.pack("<IIII", 0x2000_8000, 0x40_4141, 0x41_0000, 0x1000) + bytes(0x1F0)
    symbols = (Symbol("log_start", 0x40_4108, 4, "object"), Symbol("log_size", 0x40_410C, 4, "object"))
    one = Image("app.elf", "elf", "arm", (Segment(0x40_4100, code),), None, symbols)
    assert [(r.address, r.size) for r in find_named_regions([one], chip)] == [(0x41_0000, 0x1000)]


def test_uses_are_guessed_by_words_and_said_to_be(chip: Chip) -> None:
    symbols = linker(
        **{
            "app_slot_start": 0x40_4000,
            "app_slot_size": 0x1_0000,
            "download_start": 0x41_4000,
            "download_size": 0x1_0000,
        },
        **{"swap_start": 0x42_4000, "swap_size": 0x800, "curves_start": 0x42_5000, "curves_size": 0x800},
    )
    product = proposed(chip, image(0x40_0000, name="boot.elf"), image(symbols=symbols))
    blocks = {block.block: (block.address, block.sure) for block in product.blocks}
    assert blocks["run:app"] == (0x40_4000, True)
    assert blocks["stage:app"] == (0x41_4000, False)
    assert blocks["lift"] == (0x42_4000, False)
    assert product.procedure is Procedure.EXCHANGE_FIXED
    assert [keep.name for keep in product.keeps] == ["curves"]  # nothing is known of it, so it is kept
    text = product_text(product)
    assert "# TODO what curves is" in text
    assert "# TODO whether this is stage:app" in text


# Single facts


def test_header_is_the_gap_to_the_slot_s_start(chip: Chip) -> None:
    by_sector = read_firmware("app.elf", image(), chip, ())
    assert (by_sector.slot, by_sector.header, by_sector.slot_size, by_sector.vectors) == (0x40_4000, 0x100, None, 0)
    named = find_named_regions([image(symbols=linker(app_start=0x40_3800, app_size=0x8000))], chip)
    by_name = read_firmware("app.elf", image(), chip, named)
    assert (by_name.slot, by_name.header, by_name.slot_size) == (0x40_3800, 0x900, 0x8000)


def test_table_behind_the_first_byte_is_told(chip: Chip) -> None:
    code = bytes(0x80) + struct.pack("<II", 0x2000_8000, 0x40_40C1) + bytes(0x100)
    table = (Symbol("vector_table", 0x40_4080, 8, "object"),)
    one = Image("app.elf", "elf", "arm", (Segment(0x40_4000, code),), None, table)
    assert read_firmware("app.elf", one, chip, ()).vectors == 0x80
    assert "vectors = 128" in product_text(proposed(chip, one))


@pytest.mark.parametrize(
    ("text", "name", "expected"),
    [
        (b"PC-2 v1.20.3\0", "app.elf", ("1.20.3", "symbol app_version")),
        (b"no number\0..", "app-2.0.elf", ("2.0", "the file's name")),
        (b"1.2.3.4.5\0..", "app.elf", ("", "")),
        (b"\xff\xfe\0.........", "app.elf", ("", "")),
    ],
)
def test_versions(text: bytes, name: str, expected: tuple[str, str], chip: Chip) -> None:
    code = struct.pack("<II", 0x2000_8000, 0x40_4141) + text.ljust(16, b"\0") + bytes(0x100)
    one = Image(
        name, "elf", "arm", (Segment(0x40_4100, code),), None, (Symbol("app_version", 0x40_4108, 16, "object"),)
    )
    found = read_firmware(name, one, chip, ())
    assert (found.version, found.version_from) == expected


def test_three_versions_of_one_image_are_too_many(chip: Chip) -> None:
    files = [read_firmware(f"app-{n}.0.elf", image(name=f"app-{n}.0.elf"), chip, ()) for n in (1, 2, 3)]
    with pytest.raises(DescriptionError, match="all seem to be image 'app'"):
        propose_images(files, chip)
    newest = propose_images(files[:2], chip)[0]
    assert (newest.file.version, newest.precursor and newest.precursor.version) == ("2.0", "1.0")


def test_two_images_at_one_address_belong_to_no_one_product(chip: Chip) -> None:
    with pytest.raises(DescriptionError, match="as another image") as error:
        proposed(chip, image(name="app.elf"), image(name="meter.elf"))
    assert error.value.where == "meter.elf"


def test_a_region_with_two_images_is_no_slot(chip: Chip) -> None:
    symbols = linker(bank_start=0x40_4000, bank_size=0x1_0000)
    product = proposed(chip, image(symbols=symbols), image(0x40_8100, name="meter.elf"))
    assert {(block.block, block.address, block.size) for block in product.blocks} == {
        ("run:app", 0x40_4000, None),
        ("run:meter", 0x40_8000, None),
    }
    assert "bank (app.elf, symbol bank_start) holds several images" in product.notes[0]


def test_without_files() -> None:
    with pytest.raises(DescriptionError, match="no firmware file"):
        propose_product({}, load_chip("rv32-pmp"), chip_name="x")


WORDS = ("boot", "slot_a", "slot_b", "app", "staging", "swap", "scratch", "log", "settings", "keys", "floor", "journal")
names = st.sampled_from((*WORDS, "x1", "über", "data", "stage_app", "second", "recovery"))
borders = st.sampled_from(["start", "end", "size", "base", "length", "limit"])
values = st.sampled_from(
    [0, 0x800, 0x1000, 0x8000, 0x40_0000, 0x40_4000, 0x40_8000, 0x41_0000, 0x43_F000, 0x44_0000, 1 << 31]
)
places = st.sampled_from([0x40_0000, 0x40_0100, 0x40_4000, 0x40_4100, 0x40_8000, 0x43_F000])


@pytest.mark.slow
@settings(max_examples=250)
@given(
    st.lists(st.tuples(names, borders, values), max_size=10),
    st.lists(st.tuples(names, places), min_size=1, max_size=3, unique_by=lambda pair: pair[0]),
)
def test_whatever_the_symbols_say_the_proposal_parses(
    tmp_path_factory: pytest.TempPathFactory, said: list[tuple[str, str, int]], files: list[tuple[str, int]]
) -> None:
    chip = load_chip(PUMP / "qd-256.toml")
    symbols = linker(**{f"{name}_{border}": value for name, border, value in said})
    folder = tmp_path_factory.mktemp("proposal")
    images = {f"{name}.elf": replace(image(start, name=f"{name}.elf"), symbols=symbols) for name, start in files}
    try:
        product = propose_product(images, chip, chip_name="part.toml")
    except DescriptionError:
        return
    (folder / "part.toml").write_bytes((PUMP / "qd-256.toml").read_bytes())
    for name in images:
        (folder / name).touch()
    (folder / "product.toml").write_text(product_text(product), encoding="utf-8")
    load_product(folder / "product.toml")


def test_a_written_proposal_reads_its_own_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "fw").mkdir()
    (tmp_path / "fw/app one.elf").write_bytes((BUILT / "application-1.2.0.elf").read_bytes())
    arguments = ["import", "--elf", str(tmp_path / "fw/app one.elf"), "--chip", "secure-split"]
    assert run([*arguments, "--out", str(tmp_path / "p")], capsys)[0] == 2  # other addresses
    arguments[-1] = str(PUMP / "qd-256.toml")
    assert run([*arguments, "--out", str(tmp_path / "p")], capsys)[0] == 0
    spec = load_product(tmp_path / "p/product.toml").image("app")
    assert spec.file is not None
    assert read_image((tmp_path / "p" / spec.file).read_bytes(), name="x").start == 0x40_4100
