"""Make the other product files out of product.toml (exchange, flash controller, RV32), and the part it names.

python products.py [FOLDER]     default: this folder
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent

CONTROLLER = """[[bench.controller]]
name = "flash"
memory = "flash"
base = 0x4001_0200
size = 0x18
unlock = [{ at = 0x00, value = 0x6B1D_03A5 }, { at = 0x00, value = 0x94E2_FC5A }]
unlock_lasts = "command"
erase = { at = 0x04, value = 1 }
program = { at = 0x04, value = 2 }
address = 0x08
data = 0x10
line = 8
busy = { at = 0x0C, mask = 1, value = 1 }
busy_reads = 2
error = { at = 0x0C, mask = 2, value = 2 }

"""


def headed(text: str, title: str) -> str:
    """Return the text with a first line that says where it comes from."""
    return "# Made by products.py from product.toml.\n# " + title + "\n\n" + text[text.index("[product]") :]


def with_exchange(text: str) -> str:
    """Return the product updated by exchange, with a trial run."""
    lift = '[[pin]]\nblock = "lift"\nat = 0x0000_A000\nsize = "4 KiB"\n\n[[pin]]\nblock = "recovery"'
    text = text.replace('"copy-over"', '"exchange-fixed"').replace("trial = false", "trial = true")
    trial = 'reports = "474f4f44"\ntrial_log = "journal"\ntrial = "5452494c"\n'
    text = text.replace("INST, NONE.", "INST, NONE, GOOD; TRIL.").replace('"4e4f4e45"\n', '"4e4f4e45"\n' + trial)
    return text.replace('[[pin]]\nblock = "recovery"', lift).replace("arm-copy-plain", "arm-exchange-plain")


def with_controller(text: str) -> str:
    """Return the product whose boot stage drives the flash controller itself."""
    text = re.sub(r'\[\[bench\.hook\]\]\ndoes = "(erase|program|read)"\n(?:.+\n)+\n', "", text)
    start = text.index("[[bench.rule]]")
    return (text[:start] + CONTROLLER + text[start:]).replace("-copy-plain", "-copy-controller")


def on_rv32(text: str) -> str:
    """Return the product on the RV32 part: the same offsets in flash."""
    text = re.sub(r"0x0000_(\w{4})\b", r"0x8000_\1", text).replace("0x4001_0", "0x8020_0")
    text = text.replace("gx-512s.toml", "gx-512v.toml").replace("vectors = 128\n", "")
    return text.replace("built/arm-", "built/rv32-").replace("images/arm-", "images/rv32-")


def with_few_interrupts(text: str) -> str:
    """Return the part file of the small sibling: its vector table fits behind this boot stage's header of 128 bytes."""
    title = "# GX-512S: the GX-512 with 16 interrupts. Made by products.py from ../river-gauge/gx-512.toml."
    text = re.sub(
        r"^interrupts = .*", "interrupts = 16                 # 32 entries: aligned to 128 bytes", text, flags=re.M
    )
    return title + "\n" + text[text.index("\n") + 1 :].replace('"GX-512"', '"GX-512S"')


def files() -> dict[str, str]:
    """Return every made file by its name."""
    plain = (HERE / "product.toml").read_text()
    return {
        "gx-512s.toml": with_few_interrupts((HERE.parent / "river-gauge" / "gx-512.toml").read_text()),
        "exchange.toml": headed(with_exchange(plain), "Exchange with a trial run, on the GX-512S."),
        "controller.toml": headed(with_controller(plain), "Copy-over by the flash controller, on the GX-512S."),
        "rv32.toml": headed(on_rv32(plain), "Copy-over, on the GX-512V."),
        "rv32-controller.toml": headed(on_rv32(with_controller(plain)), "Copy-over by the controller, on the GX-512V."),
    }


if __name__ == "__main__":
    for name, made in files().items():
        ((Path(sys.argv[1]) if len(sys.argv) > 1 else HERE) / name).write_text(made)
