"""The command line starts fast: `--help` loads the standard library, click, the list of commands and our errors."""

from __future__ import annotations

import subprocess
import sys

SCRIPT = """
import sys
before = set(sys.modules)
from rootwright.cli import main
try:
    main(["--help"])
except SystemExit:
    pass
names = {name.partition(".")[0] for name in sys.modules} - {name.partition(".")[0] for name in before}
print("LOADED", *sorted(names - set(sys.stdlib_module_names)))
print("OURS", *sorted(name for name in sys.modules if name.startswith("rootwright.")))
"""

ALLOWED = {"click", "rootwright"}
OURS = {"rootwright.cli", "rootwright.errors"}


def test_help_loads_only_what_it_needs() -> None:
    out = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True).stdout
    lines = {line.split()[0]: set(line.split()[1:]) for line in out.splitlines() if line.startswith(("LOADED", "OURS"))}
    assert lines["LOADED"] <= ALLOWED
    assert lines["OURS"] <= OURS
    for heavy in ("pydantic", "cryptography", "cbor2", "jinja2"):
        assert heavy not in lines["LOADED"]


def test_help_names_every_command() -> None:
    out = subprocess.run([sys.executable, "-m", "rootwright", "--help"], capture_output=True, text=True, check=True)
    from rootwright.cli import COMMANDS

    assert all(name in out.stdout for name in COMMANDS)
