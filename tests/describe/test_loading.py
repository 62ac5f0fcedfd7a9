"""Files that are not even TOML, and files that are anything at all."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rootwright.describe.loading import is_chip_file, load_chip, load_product, profile_text
from rootwright.describe.problems import DescriptionProblems, Problem, closest, shown

Mistakes = Callable[..., tuple[Problem, ...]]


@pytest.mark.parametrize(
    ("text", "line", "suggestion"),
    [
        ("a = 1\nsize = 64 KiB\n", 2, '"64 KiB"'),
        ("a = 1\n\nkind = flash\n", 3, '"flash"'),
        ("on = True\n", 1, "true"),
        ("a = 1\na = 2\n", 2, "twice"),
        ("[image]\nx = 1\n[image]\nx = 2\n", 3, "twice"),
        ("x: 1\n", 1, "equals sign"),
        ('x = "C:\\data"\n', 1, "forward slashes"),
        ('x = "open\n', 1, "quotation mark"),
        ("[chip\n", 1, ""),
        ("x = [1, 2\n", 2, ""),
        ("=\n", 1, ""),
        ("x = \n", 1, ""),
        ('x = """\nnever closed', 2, ""),
        ("x = \x00", 1, ""),
    ],
)
def test_syntax_errors_have_a_line(tmp_path: Path, text: str, line: int, suggestion: str) -> None:
    path = tmp_path / "part.toml"
    path.write_text(text)
    with pytest.raises(DescriptionProblems) as caught:
        load_chip(path)
    (problem,) = caught.value.problems
    assert problem.line == line, str(problem)
    assert suggestion in problem.suggestion
    assert problem.expected.startswith("TOML")
    assert "at line" not in problem.expected


def test_a_file_that_is_not_there_and_its_likely_name(tmp_path: Path) -> None:
    (tmp_path / "product.toml").write_text("")
    with pytest.raises(DescriptionProblems, match=r"no such file") as caught:
        load_product(tmp_path / "prduct.toml")
    assert "product.toml" in caught.value.next_step


def test_a_folder_for_a_file(tmp_path: Path) -> None:
    (tmp_path / "product.toml").write_text("")
    with pytest.raises(DescriptionProblems, match="a folder") as caught:
        load_product(tmp_path)
    assert "product.toml" in caught.value.next_step


def test_a_path_that_cannot_be(tmp_path: Path) -> None:
    for name in ("x\0y", "x" * 5000):
        with pytest.raises(DescriptionProblems):
            load_chip(tmp_path / name)


def test_text_in_another_encoding(tmp_path: Path) -> None:
    path = tmp_path / "part.toml"
    path.write_bytes('a = 1\nmaker = "Gerät"'.encode("latin-1"))
    with pytest.raises(DescriptionProblems, match=r"part\.toml:2: found the byte 0xE4, expected text in UTF-8"):
        load_chip(path)


def test_a_huge_file(tmp_path: Path) -> None:
    path = tmp_path / "part.toml"
    path.write_bytes(b"#" * (1 << 20) + b"\n")
    with pytest.raises(DescriptionProblems, match="more than 1 MiB"):
        load_chip(path)


@pytest.mark.parametrize("text", ["x = " + "[" * 20_000, "x = " + "[" * 400 + "]" * 400, "x = " + "{a=" * 3000])
def test_deep_nesting(tmp_path: Path, text: str) -> None:
    path = tmp_path / "part.toml"
    path.write_text(text)
    with pytest.raises(DescriptionProblems):
        load_chip(path)


def test_a_number_beyond_the_interpreters_limit(tmp_path: Path) -> None:
    path = tmp_path / "part.toml"
    path.write_text("x = " + "9" * 6000)
    with pytest.raises(DescriptionProblems):
        load_chip(path)


def test_byte_order_mark_and_windows_line_ends(tmp_path: Path, part_text: str) -> None:
    path = tmp_path / "part.toml"
    path.write_bytes(b"\xef\xbb\xbf" + part_text.replace("\n", "\r\n").encode())
    assert load_chip(path).name == "T-1"


def test_an_unknown_profile() -> None:
    with pytest.raises(DescriptionProblems, match='did you mean "secure-split"'):
        load_chip("secure-splt")
    with pytest.raises(DescriptionProblems, match='did you mean "secure-split"'):
        profile_text("secure-splt")


def test_a_chip_file_named_by_text(tmp_path: Path, part_text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "mine.toml").write_text(part_text)
    monkeypatch.chdir(tmp_path)
    assert load_chip("mine.toml").name == "T-1"


def test_which_kind_of_file(tmp_path: Path, part_text: str, product_text: str) -> None:
    path = tmp_path / "x.toml"
    path.write_text(part_text)
    assert is_chip_file(path)
    path.write_text(product_text)
    assert not is_chip_file(path)


def test_one_mistake_reads_as_one_sentence(chip_mistakes: Mistakes, tmp_path: Path) -> None:
    chip_mistakes(("banks = 2", "bank = 2"))
    with pytest.raises(DescriptionProblems) as caught:
        load_chip(tmp_path / "part.toml")
    first, second = str(caught.value).split("\n")
    assert first.startswith(f'{tmp_path / "part.toml"}:13: memory "flash": bank: found an unknown key, expected one of')
    assert second.strip() == 'did you mean the key "banks"?'


def test_several_mistakes_are_counted(chip_mistakes: Mistakes, tmp_path: Path) -> None:
    chip_mistakes(("banks = 2", "bank = 2"), ("interrupts = 32", "interrupts = -1"))
    with pytest.raises(DescriptionProblems, match=r"^2 mistakes\n"):
        load_chip(tmp_path / "part.toml")


def test_a_message_stays_readable_with_very_many_mistakes(chip_mistakes: Mistakes, tmp_path: Path) -> None:
    many = "".join(f"k{number} = 1\n" for number in range(300))
    assert len(chip_mistakes(("[chip]", f"{many}[chip]"))) == 300
    with pytest.raises(DescriptionProblems) as caught:
        load_chip(tmp_path / "part.toml")
    assert str(caught.value).endswith("and 250 more")


def test_names_too_long_for_any_file_system(product_mistakes: Mistakes) -> None:
    name = "y" * 400
    (problem,) = product_mistakes(('"part.toml"', f'"{name}.toml"'))
    assert "cannot be reached" in problem.found
    (problem,) = product_mistakes(('size = "64 KiB"', f'file = "{name}"'))
    assert "cannot be reached" in problem.found


def test_more_tables_than_any_part_or_product_has(
    chip_mistakes: Mistakes, product_mistakes: Mistakes, part_text: str, product_text: str
) -> None:
    memories = "".join(
        f'[[memory]]\nname = "m{i}"\nkind = "ram"\nbase = {0x4000_0000 + i * 64}\n'
        "sectors = [{ count = 1, size = 64 }]\n"
        for i in range(80)
    )
    assert [p.found for p in chip_mistakes(text=part_text + memories)] == ["82 entries"]
    pins = "".join('[[pin]]\nblock = "journal"\nsize = "4 KiB"\n' for _ in range(400))
    assert "401 tables" in [p.found for p in product_mistakes(text=product_text + pins)]


def test_shown_values_are_short_and_printable() -> None:
    assert shown("x" * 100) == '"' + "x" * 48 + '…"'
    assert shown("a\x1b[31m\n") == '"a?[31m?"'
    assert shown(1 << 300) == "a very large number"
    assert shown([]) == "an empty array"
    assert shown(tomllib.loads("x = 2020-01-01")["x"]) == "the date or time 2020-01-01"
    assert shown(False) == "false"


def test_the_closest_word() -> None:
    assert closest("exchange_fixed", ["exchange-fixed", "in-place"]) == "exchange-fixed"
    assert closest("zzz", ["exchange-fixed"]) is None


VALUES = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=20),
        st.sampled_from(
            ["flash", "ram", "64 KiB", "4 kb", "application", "boot stage", "20 ms", "1.0.0", "boot", "x:Y"]
        ),
        st.dates(),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.one_of(
                st.sampled_from(
                    ["name", "kind", "size", "sectors", "erase", "count", "typ", "max", "at", "role", "block"]
                ),
                st.text(max_size=5),
            ),
            inner,
            max_size=5,
        ),
    ),
    max_leaves=12,
)


def toml(value: Any) -> str:
    """Write any tree as an inline TOML value."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(key)} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return str(value).lower()
    return "''" if value is None else str(value)


def quoted(text: str) -> str:
    return '"' + "".join(c if c.isalnum() and c.isascii() else f"\\U{ord(c):08X}" for c in text) + '"'


def surely_fails_cleanly(path: Path, load: Callable[[Path], object]) -> None:
    try:
        load(path)
    except DescriptionProblems as error:
        problems, text = error.problems, str(error)
    else:
        return
    assert problems
    assert all(problem.line >= 0 and problem.found and problem.expected for problem in problems)
    assert all(line.isprintable() for line in text.split("\n"))


def error_problems(path: Path, load: Callable[[Path], object]) -> tuple[Problem, ...]:
    with pytest.raises(DescriptionProblems) as caught:
        load(path)
    return caught.value.problems


@pytest.mark.slow
@pytest.mark.parametrize("load", [load_chip, load_product])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(data=st.data())
def test_random_trees_never_crash(
    tmp_path: Path, part_text: str, product_text: str, load: Callable[[Path], object], data: st.DataObject
) -> None:
    """One or two values of the sound file are replaced by anything; keys may be anything too."""
    sound = part_text if load is load_chip else product_text
    (tmp_path / "part.toml").write_text(part_text)
    lines = sound.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        index = data.draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[index].partition(" = ")
        if equals:
            lines[index] = f"{key} = {toml(data.draw(VALUES))}"
        else:
            top = data.draw(st.sampled_from(["memory", "image", "pin", "keep", "crypto", "lock", "protection", "x"]))
            lines[index] = f"[extra{index}]\n{top} = {toml(data.draw(VALUES))}"
    path = tmp_path / "any.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    surely_fails_cleanly(path, load)


@pytest.mark.slow
@pytest.mark.parametrize("load", [load_chip, load_product])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=100)
@given(tree=st.dictionaries(st.sampled_from(["chip", "memory", "crypto", "product", "image", "pin", "update"]), VALUES))
def test_random_documents_never_crash(tmp_path: Path, load: Callable[[Path], object], tree: dict[str, Any]) -> None:
    path = tmp_path / "any.toml"
    path.write_text("".join(f"{key} = {toml(value)}\n" for key, value in tree.items()), encoding="utf-8")
    assert error_problems(path, load)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(raw=st.binary(max_size=60))
def test_random_bytes_never_crash(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "any.toml"
    path.write_bytes(raw)
    assert error_problems(path, load_chip)


def test_a_folder_suggests_only_a_product_file_that_lies_in_it(tmp_path):
    (tmp_path / "pyproject.toml").write_text("", encoding="utf-8")
    with pytest.raises(DescriptionProblems) as caught:
        load_product(tmp_path)
    assert "did you mean" not in str(caught.value)
    (tmp_path / "product.toml").write_text("", encoding="utf-8")
    with pytest.raises(DescriptionProblems, match=r"did you mean .*product\.toml\?"):
        load_product(tmp_path)
