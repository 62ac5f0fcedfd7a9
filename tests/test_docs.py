"""The manual keeps its word: commands print what the pages show, code runs, links lead somewhere, nothing is left out.

In a ```console block a line that starts with "$ " is a command, what follows up to the next one is its output. Output
that is not shown is not compared. A line "..." stands for any number of lines, "..." in a line for any characters.
"[exit code 1]" as the last line says that the command leaves with that code; then what it says on the error stream is
compared too. Commands run in a copy of the demo and the manual; what they write under docs/ must equal what is there.
`make` commands are only looked up.

`ROOTWRIGHT_REWRITE=1 pytest tests/test_docs.py` puts the present output and the present pictures in.
"""

from __future__ import annotations

import ast
import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import click
import pytest

from rootwright.cli import COMMANDS, cli, main

ROOT = Path(__file__).resolve().parent.parent
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "CONTRIBUTING.md", ROOT / "tests/README.md", *sorted(DOCS.glob("*.md"))]
COPIED = ("demo", "docs", "tests/suit/data")
LEFT_BEHIND = shutil.ignore_patterns("out", "keys", ".rootwright", "__pycache__", "*.c", "*.h")
REWRITE = bool(os.environ.get("ROOTWRIGHT_REWRITE"))


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


def blocks_of(page: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Shown:
    """One command of a page, the output shown for it (empty: none), and its exit code."""

    command: str
    output: str
    code: int


def commands_of(block: str) -> list[Shown]:
    assert block.startswith("$ "), f"a console block starts with a command, not with {block[:40]!r}"
    shown = []
    for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        command, _, output = part.replace("\\\n", " ").partition("\n")
        found = re.search(r"^\[exit code (\d+)\]\n\Z", output, flags=re.MULTILINE)
        shown.append(Shown(command, output[: found.start()] if found else output, int(found[1]) if found else 0))
    return shown


def fits(output: str, shown: str) -> bool:
    """Say whether an output is what is shown, where "..." stands for any lines, or for any characters in a line.

    >>> fits("a\\nb\\nc\\n", "a\\n...\\nc\\n"), fits("a\\nb\\n", "a\\n")
    (True, False)
    """
    pattern = ""
    for line in shown.splitlines(keepends=True):
        pattern += r"(?:.*\n)*" if line == "...\n" else re.escape(line).replace(r"\.\.\.", ".*")
    return re.fullmatch(pattern, output) is not None


@pytest.fixture
def copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of what the manual's commands need, made the current folder."""
    for name in COPIED:
        shutil.copytree(ROOT / name, tmp_path / name, ignore=LEFT_BEHIND)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def make_targets() -> set[str]:
    return set(re.findall(r"^([a-z][\w-]*):", (ROOT / "Makefile").read_text(), flags=re.MULTILINE))


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Run one command as the console script does; return its exit code and its output."""
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main(arguments)
    code = left.value.code
    printed = capsys.readouterr()
    assert isinstance(code, int)
    return code, printed.out + (printed.err if code else "")


def test_elision_and_exit_codes_are_read_as_said() -> None:
    assert fits("a\nb\nc\n", "a\n...\nc\n")
    assert fits("a\nc\n", "a\n...\nc\n")
    assert not fits("a\nb\n", "a\n")
    assert not fits("a\nb\n", "...\na\n")
    assert fits("12 bytes\n", "... bytes\n")
    assert not fits("12\nbytes\n", "...bytes\n")
    block = "$ one --a \\\n  b\nout\n$ two\nwrong\n[exit code 2]\n$ three\n"
    assert commands_of(block) == [Shown("one --a    b", "out\n", 0), Shown("two", "wrong\n", 2), Shown("three", "", 0)]


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_no_block_escapes(page: Path) -> None:
    # A command in a block of another kind, or an indented one, would be shown and never run.
    text = page.read_text(encoding="utf-8")
    fences = re.findall(r"^([ \t]*)```(.*)$", text, flags=re.MULTILINE)
    assert {indent for indent, _ in fences} <= {""}
    assert {language for _, language in fences[::2]} <= {"console", "python", "text", "toml"}
    assert {language for _, language in fences[1::2]} <= {""}
    assert not re.findall(r"^(?: {4,}|\t)(?:\$ |rootwright |make )", text, flags=re.MULTILINE)


@pytest.mark.slow
@pytest.mark.parametrize("page", [page for page in PAGES if blocks_of(page, "console")], ids=name_of)
def test_commands_print_what_the_page_shows(page: Path, copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = page.read_text(encoding="utf-8")
    for block in blocks_of(page, "console"):
        for shown in commands_of(block):
            program, *arguments = shlex.split(shown.command, comments=True)
            if program == "make":
                assert set(arguments) <= make_targets(), shown.command
                continue
            assert program == "rootwright", f"{shown.command}: pages show commands of rootwright and make alone"
            code, output = run(arguments, capsys)
            assert code == shown.code, f"{shown.command}\n{output}"
            if shown.output and REWRITE and "..." not in shown.output:
                text = text.replace(shown.output, output)
            elif shown.output:
                assert fits(output, shown.output), f"{shown.command} prints:\n{output}\nthe page shows:\n{shown.output}"
    if REWRITE:
        page.write_text(text, encoding="utf-8")
    for made in (p for p in (copy / "docs").iterdir() if p.suffix != ".md"):
        kept = DOCS / made.name
        if REWRITE:
            shutil.copyfile(made, kept)
        assert made.read_bytes() == kept.read_bytes(), f"{made.name} differs from what the command on the page makes"


@pytest.mark.slow
@pytest.mark.parametrize("page", [page for page in PAGES if blocks_of(page, "python")], ids=name_of)
def test_code_on_the_page_runs(page: Path, copy: Path) -> None:
    # The blocks of a page are one program, run in an interpreter of its own; its assertions are the page's.
    code = "\n".join(blocks_of(page, "python"))
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_in_the_manual(name: str) -> None:
    about = [
        text for text in (p.read_text(encoding="utf-8") for p in DOCS.glob("*.md")) if f"rootwright {name}" in text
    ]
    assert about, f"no page speaks of `rootwright {name}`"
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    options = [max(p.opts, key=len) for p in command.params if isinstance(p, click.Option)]
    manual = "\n".join(about)
    assert [option for option in options if not re.search(rf"(?<![\w-]){option}(?![\w-])", manual)] == []


def test_every_finding_s_name_is_in_the_manual() -> None:
    made = {
        node.args[0].value
        for module in (ROOT / "src" / "rootwright").rglob("*.py")
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "Finding" and node.args
        if isinstance(node.args[0], ast.Constant)
    }
    manual = "\n".join(page.read_text(encoding="utf-8") for page in DOCS.glob("*.md"))
    assert len(made) > 5
    assert sorted(name for name in made if f"`{name}`" not in manual) == []


def test_the_index_leads_to_every_page() -> None:
    linked = re.findall(r"\]\(([\w-]+\.md)\)", (DOCS / "index.md").read_text(encoding="utf-8"))
    assert sorted(linked) == sorted(page.name for page in DOCS.glob("*.md") if page.name != "index.md")


def test_the_contributor_s_table_covers_every_package() -> None:
    table = (ROOT / "CONTRIBUTING.md").read_text(encoding="utf-8")
    source = ROOT / "src" / "rootwright"
    packages = [path.parent.name for path in source.glob("*/__init__.py")]
    assert [name for name in packages if f"src/rootwright/{name}/" not in table] == []
    assert set(re.findall(r"^\$ make (\w+)", table, flags=re.MULTILINE)) == make_targets() - {"clean"}


def heading_anchors(page: Path) -> set[str]:
    headings = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if not target.startswith("https://"):
            file, _, anchor = target.partition("#")
            path = page.parent / file if file else page
            assert path.exists(), f"{name_of(page)} links to {target}"
            assert not anchor or anchor in heading_anchors(path), f"{name_of(page)} links to {target}"
