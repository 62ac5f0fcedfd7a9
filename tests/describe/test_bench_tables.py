"""The `[bench]` tables of product.toml: what they become, and what is said of each mistake."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from rootwright.describe.bench import Bits, Deed, Expect, RunKind, WriteDeed
from rootwright.describe.loading import load_product
from rootwright.describe.problems import DescriptionProblems


@pytest.fixture
def product(repository: Path, tmp_path: Path) -> Path:
    demo = repository / "demo"
    shutil.copy(demo / "river-gauge" / "gx-512.toml", tmp_path / "part.toml")
    head = (demo / "river-gauge" / "product.toml").read_text().replace("gx-512.toml", "part.toml")
    (tmp_path / "product.toml").write_text(head)
    (tmp_path / "flash.hex").write_text(":00000001FF\n")
    return tmp_path / "product.toml"


def with_bench(product: Path, text: str) -> Path:
    product.write_text(f"{product.read_text()}\n[bench]\n{text}\n")
    return product


FULL = """
limit = 5000
[[bench.hook]]
does = "program"
table = "calls"
entry = 2
target = 0
source = 1
size = 8
returns = 0
fails = 1
[[bench.controller]]
name = "flash"
memory = "flash"
base = 0x4002_0000
erase = { at = 4, value = 1 }
program = { at = 4, value = 2 }
address = 8
data = 0x10
[[bench.rule]]
name = "dog"
at = 0x4000_1000
write = "watchdog"
word = 5
[[bench.run]]
name = "old"
kind = "downgrade"
flash = ["flash.hex"]
change = [{ at = 0x9000, data = "00 ff" }]
[[bench.secret]]
name = "key"
at = 0x7000
size = 32
lock_at = 0x4001_0000
lock_value = 1
"""


def test_tables_become_values(product: Path) -> None:
    bench = load_product(with_bench(product, FULL), check_files=False).bench
    assert bench is not None
    assert (bench.limit, bench.hooks[0].deed, bench.hooks[0].label) == (5000, Deed.PROGRAM, "calls[2]")
    assert bench.controllers[0].erase == Bits(4, 0, 1)
    assert bench.rules[0].write is WriteDeed.WATCHDOG
    run = bench.runs[0]
    assert (run.kind, run.expect, run.changes[0].data) == (RunKind.DOWNGRADE, Expect.REFUSES, b"\x00\xff")
    assert bench.secrets[0].lock == Bits(0x4001_0000, 0, 1)


def test_a_product_without_the_tables_has_none(product: Path) -> None:
    assert load_product(product, check_files=False).bench is None


HOOK = '[[bench.hook]]\ndoes = "{}"\n'
CONTROLLER = (
    '[[bench.controller]]\nname = "c"\nmemory = "flash"\nbase = 0\nerase = {{ at = 0 }}\nprogram = {{ at = 0 }}\n{}'
)
RUN = '[[bench.run]]\nname = "{}"\nkind = "authentic"\nflash = ["{}"]\n'


@pytest.mark.parametrize(
    ("text", "found", "expected"),
    [
        (HOOK.format("erase") + "target = 0", "nothing to find the function by", "exactly one of symbol"),
        (HOOK.format("erase") + 'symbol = "a"\naddress = 4\ntarget = 0', "symbol and address", "exactly one"),
        (HOOK.format("erase") + 'symbol = "a"', "no target", "target for a function"),
        (HOOK.format("program") + 'symbol = "a"\ntarget = 0\nsource = 1', "no length or size", "length or size"),
        (HOOK.format("erse") + 'symbol = "a"', '"erse"', "one of"),
        (
            HOOK.format("digest") + 'symbol = "a"\nsource = 0\ninto = 1\nsize = 4\nalgorithm = "SHA256"',
            '"SHA256"',
            "SHA-256",
        ),
        (CONTROLLER.format(""), "no address and no stores", "stores = true"),
        (CONTROLLER.format('stores = true\nunlock_lasts = "command"'), "no unlock sequence", "unlock"),
        (CONTROLLER.format("stores = true").replace('"flash"', '"ram"'), '"ram"', "keeps its content"),
        ('[[bench.rule]]\nname = "r"\nat = 2', "0x2", "aligned words"),
        ('[[bench.rule]]\nname = "r"\nat = 4\ncauses = [1]', "1 values", "three"),
        (RUN.format("a", "no.hex"), '"no.hex", which does not exist', "an existing file"),
        (RUN.format("a", "flash.hex") * 2, '"a" a second time', "a different name"),
        (RUN.format("a", "flash.hex") + '[bench.staged]\nat = 0\nsize = 4\nrun = "b"', '"b"', "a run"),
        (
            '[[bench.run]]\nname = "a"\nkind = "authentic"\nflash = []\nchange = [{ at = 0, data = "0x1" }]',
            "0x1",
            "hexa",
        ),
    ],
)
def test_mistakes_are_said_where_they_stand(product: Path, text: str, found: str, expected: str) -> None:
    with pytest.raises(DescriptionProblems) as caught:
        load_product(with_bench(product, text))
    said = [p for p in caught.value.problems if "bench" in p.field]
    assert any(found in p.found and expected in p.expected for p in said), said
    begun = product.read_text().split("[bench]")[0].count("\n") + 1
    assert all(p.line >= begun for p in said)
