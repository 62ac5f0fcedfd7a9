"""The house rules that a machine can check: layers, module sizes, docstrings, where pydantic and clocks may be used."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "src" / "rootwright"
MODULES = sorted(PACKAGE.rglob("*.py"))

# A result must depend on its inputs alone; whoever needs the time or a random number is handed it (style: Interfaces).
COMPUTING = {"describe", "layout", "chips", "image", "cose", "suit", "hashsig", "plan", "review", "payload", "release"}
COMPUTING |= {"device", "prove", "dossier"}
CLOCKS_AND_DICE = {"time", "secrets", "tempfile"}
ASKS_CLOCK_OR_DICE = {"now", "utcnow", "today", "uuid1", "uuid4", "urandom"}

# Folders that tools and runs leave behind, which are no part of the repository.
LEFT_BEHIND = {"out", "build", "dist", "keys", "__pycache__"}


def name_of(module: Path) -> str:
    return module.relative_to(PACKAGE.parent).as_posix()


def imported(module: Path) -> Iterator[str]:
    """Yield the top names that a module imports, also inside functions."""
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module.partition(".")[0]


def repository_files() -> Iterator[Path]:
    """Yield the files of the checkout; hidden folders and what runs leave behind are passed over."""
    for top in sorted(ROOT.iterdir()):
        if top.is_file() and not top.name.startswith("."):
            yield top
        elif top.is_dir() and (not top.name.startswith(".") or top.name == ".ci") and top.name not in LEFT_BEHIND:
            for path in sorted(top.rglob("*")):
                folders = path.relative_to(top).parent.parts
                # src/rootwright/keys is code; a folder `keys` elsewhere holds keys that were made in a run.
                if top.name != "src" and LEFT_BEHIND & set(folders) and path.suffix != ".py":
                    continue
                if path.is_file() and not any(part.startswith(".") or part == "__pycache__" for part in folders):
                    yield path


@pytest.mark.slow
def test_imports_keep_their_contracts() -> None:
    tool = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([tool, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


def test_every_package_has_its_place_in_the_layers() -> None:
    import tomllib

    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    layers = {layer.strip("()") for layer in contracts[0]["layers"]}
    there = {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or (path / "__init__.py").is_file()}
    assert there - {"__init__"} <= layers


def test_modules_stay_small() -> None:
    lengths = {name_of(m): len(m.read_text(encoding="utf-8").splitlines()) for m in MODULES}
    assert {name: count for name, count in lengths.items() if count > 800} == {}
    long = {name: count for name, count in lengths.items() if count >= 600}
    assert len(long) <= len(lengths) / 10, long
    assert sum(count < 200 for count in lengths.values()) >= len(lengths) / 2


def test_no_module_is_a_drawer_for_everything() -> None:
    assert [name_of(m) for m in MODULES if re.search(r"util|helper|misc|common", m.stem)] == []


@pytest.mark.parametrize("module", MODULES, ids=name_of)
def test_every_module_says_what_it_is(module: Path) -> None:
    said = ast.get_docstring(ast.parse(module.read_text(encoding="utf-8"))) or ""
    first = said.partition("\n\n")[0]
    assert first.rstrip().endswith((".", ":", "?")), f"{name_of(module)}: no sentence at its head"


def test_pydantic_stays_in_describe() -> None:
    users = {name_of(m) for m in MODULES if "pydantic" in set(imported(m))}
    assert users
    assert {name for name in users if not name.startswith("rootwright/describe/")} == set()


def asks_clock_or_dice(module: Path) -> list[str]:
    """Return the names by which a module asks for time or chance; a generator made from a seed is neither."""
    asked = CLOCKS_AND_DICE & set(imported(module))
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and node.attr in ASKS_CLOCK_OR_DICE:
            asked.add(node.attr)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "random":
            asked |= {f"random.{node.attr}"} - {"random.Random"}
        elif isinstance(node, ast.ImportFrom) and node.module == "random":
            asked |= {f"random.{alias.name}" for alias in node.names} - {"random.Random"}
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("Random") and not node.args:
            asked.add("Random without a seed")
    return sorted(asked)


def test_asking_clock_or_dice_is_seen(tmp_path: Path) -> None:
    module = tmp_path / "m.py"
    for code, seen in [
        ("import random\nrandom.Random(7).random()", []),
        ("from random import Random\nRandom()", ["Random without a seed"]),
        ("import random\nrandom.randbytes(4)", ["random.randbytes"]),
        ("from random import choice", ["random.choice"]),
        ("import datetime\ndatetime.datetime.now()", ["now"]),
        ("def f():\n    import time", ["time"]),
    ]:
        module.write_text(code)
        assert asks_clock_or_dice(module) == seen, code


def test_what_computes_has_no_clock_and_no_dice() -> None:
    computing = [module for module in MODULES if module.relative_to(PACKAGE).parts[0] in COMPUTING]
    assert computing
    assert {name_of(module): asked for module in computing if (asked := asks_clock_or_dice(module))} == {}


def test_no_file_holds_a_path_of_the_machine_it_was_made_on() -> None:
    # Folders that exist only on somebody's machine, and the one that this checkout stands in; also in built files.
    here = str(ROOT.parent).encode()
    places = [b"/home/", b"/root/", b"/Users/", b"/tmp/", b"/mnt/", b"/opt/"]
    if len(here) > 1:
        places.append(here + b"/")
    told = re.compile(rb"(?<![A-Za-z0-9_.~$}-])(?:" + b"|".join(map(re.escape, places)) + rb")[A-Za-z0-9_]")
    files = list(repository_files())
    assert len(files) > 100
    found = [
        f"{p.relative_to(ROOT)}: {m[0]!r}" for p in files if p != Path(__file__) for m in told.finditer(p.read_bytes())
    ]
    assert found == []
