"""The first three commands as a user meets them: new, check, schema."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rootwright.cli import main
from rootwright.describe.chip import Lock, ProtectionKind
from rootwright.describe.loading import load_chip, load_product, profile_names


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    told = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return left.value.code, told.out, told.err


@pytest.mark.parametrize("profile", profile_names())
def test_a_new_product_passes_its_check(capsys: pytest.CaptureFixture[str], tmp_path: Path, profile: str) -> None:
    """Only where the part cannot host a root of trust at all, the check says so."""
    code, out, _ = run(capsys, "new", tmp_path / "it", "--chip", profile)
    assert code == 0
    assert "next: rootwright check" in out
    code, out, err = run(capsys, "check", tmp_path / "it" / "product.toml")
    assert not err
    if profile == "no-isolation":
        assert code == 1
        assert "cannot host a root of trust" in out
    else:
        assert code == 0
        assert out.endswith("nothing found\n")
    product = load_product(tmp_path / "it" / "product.toml")
    assert all(image.file is None and image.size for image in product.images)


def test_new_without_a_profile(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(capsys, "new", tmp_path / "deep" / "it")[0] == 0
    assert run(capsys, "check", tmp_path / "deep" / "it" / "product.toml")[0] == 0


@pytest.mark.parametrize("name", ["product.toml", "part.toml"])
def test_new_never_touches_what_is_there(capsys: pytest.CaptureFixture[str], tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    code, out, err = run(capsys, "new", tmp_path)
    assert code == 2
    assert "exists already" in err
    assert not out
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_new_does_not_write_through_a_dangling_link(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "product.toml").symlink_to(tmp_path / "elsewhere")
    assert run(capsys, "new", tmp_path)[0] == 2
    assert not (tmp_path / "elsewhere").exists()


def test_new_into_a_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    code, _, err = run(capsys, "new", tmp_path / "file")
    assert code == 2
    assert "Traceback" not in err


def test_new_with_an_unknown_profile(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, _, err = run(capsys, "new", tmp_path / "it", "--chip", "secure-splt")
    assert code == 2
    assert 'did you mean "secure-split"?' in err
    assert not (tmp_path / "it").exists()


@pytest.mark.parametrize("arguments", [("new", "--list"), ("check", "--parts")])
def test_the_list_of_parts_has_one_line_each(capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    code, out, _ = run(capsys, *arguments)
    assert code == 0
    assert len(out.splitlines()) == len(profile_names())
    assert all(any(name in line.split() for line in out.splitlines()) for name in profile_names())


def test_the_list_of_parts_for_machines(capsys: pytest.CaptureFixture[str]) -> None:
    parts = json.loads(run(capsys, "check", "--parts", "--json")[1])["parts"]
    assert [part["strength"] for part in parts] == sorted(part["strength"] for part in parts)
    assert parts[0]["standing"] == "cannot host a root of trust"


def test_check_tells_what_it_understood(capsys: pytest.CaptureFixture[str], repository: Path) -> None:
    code, out, _ = run(capsys, "check", repository / "demo/river-gauge/product.toml")
    assert code == 0
    for words in (
        "GX-512",
        "128 x 4 KiB in two banks",
        "exchange-rotating",
        "application 1.5.0",
        "180 B/s",
        "within limits",
    ):
        assert words in out


def test_check_finds_what_is_open(capsys: pytest.CaptureFixture[str], repository: Path) -> None:
    code, out, _ = run(capsys, "check", repository / "demo/river-gauge-flawed/product.toml")
    assert code == 1
    assert out.count("finding: ") == 4
    assert out.endswith("4 findings\n")


def test_check_for_machines(capsys: pytest.CaptureFixture[str], repository: Path) -> None:
    code, out, _ = run(capsys, "check", "--json", repository / "demo/river-gauge-flawed/product.toml")
    told: dict[str, Any] = json.loads(out)
    assert code == 1
    assert told["problems"] == []
    assert len(told["findings"]) == 4
    assert told["root_of_trust"]["standing"] == "can host a root of trust within limits"


def test_check_of_a_part_alone(capsys: pytest.CaptureFixture[str], repository: Path) -> None:
    code, out, _ = run(capsys, "check", repository / "demo/river-gauge/gx-512.toml")
    assert code == 0
    assert "A part, described alone" in out


def test_check_of_a_file_with_mistakes(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    run(capsys, "new", tmp_path)
    path = tmp_path / "product.toml"
    path.write_text(path.read_text().replace("sequence = 1 ", 'sequence = "1" ').replace('"10 kB/s"', '"10 kbps"'))
    code, out, err = run(capsys, "check", path)
    assert code == 2
    assert not out
    assert err.startswith("error: 2 mistakes\n")
    assert err.count(f"{path}:") == 2
    code, out, _ = run(capsys, "check", path, "--json")
    assert code == 2
    assert [problem["suggestion"] for problem in json.loads(out)["problems"]] == [
        "did you mean 1, without quotation marks?",
        'did you mean "10 kbit/s"?',
    ]


def test_check_without_files(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    run(capsys, "new", tmp_path)
    path = tmp_path / "product.toml"
    text = path.read_text()
    path.write_text(text.replace('role = "application"', 'role = "application"\nfile = "later.elf"'))
    assert run(capsys, "check", path)[0] == 2
    assert run(capsys, "check", path, "--without-files")[0] == 0


@pytest.mark.parametrize("arguments", [("check",), ("new",), ("schema", "x"), ("check", "/no/such/file.toml")])
def test_wrong_calls_are_bad_input(capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    code, _, err = run(capsys, *arguments)
    assert code == 2
    assert err


@pytest.mark.parametrize("kind", ["product", "chip"])
def test_schema_prints_json(capsys: pytest.CaptureFixture[str], kind: str) -> None:
    code, out, _ = run(capsys, "schema", kind)
    assert code == 0
    assert json.loads(out)["$schema"].endswith("2020-12/schema")
    assert "| Field |" in run(capsys, "schema", kind, "--table")[1]


UNTIL_RESET = {"external-flash-only", "key-vault", "locks-until-reset", "rv32-pmp", "secure-split-no-erase"}


def test_parts_with_a_lock_that_falls_at_reset() -> None:
    """The parts on which a starter product can hold all its claims against an exploited application."""
    found = {
        name
        for name in profile_names()
        for protection in load_chip(name).find_protections(ProtectionKind.WRITE_PROTECTION)
        if protection.lock is Lock.UNTIL_RESET
    }
    assert found == UNTIL_RESET


@pytest.mark.slow
@pytest.mark.parametrize("profile", profile_names())
def test_a_new_product_has_a_map_and_a_verdict(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, profile: str
) -> None:
    """It holds where the part has write protection until reset; elsewhere the next step says that none helps."""
    run(capsys, "new", tmp_path, "--chip", profile)
    code, out, _ = run(capsys, "plan", tmp_path / "product.toml")
    assert code == 0
    assert out.endswith("nothing breaks a limit\n")
    own = load_product(tmp_path / "product.toml").update.procedure
    code, out, _ = run(capsys, "prove", "--quick", "--procedure", own, tmp_path / "product.toml", "--json")
    (proof,) = json.loads(out)["proofs"]
    if profile in UNTIL_RESET:
        assert (code, proof["verdict"], proof["closed"]) == (0, "holds", True)
    else:
        assert (code, proof["verdict"]) == (1, "fails")
        assert proof["remedy"] == {"helps": False, "write_protect_also": []}


def test_a_newcomer_starts_from_a_part_whose_first_verdict_holds(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    run(capsys, "new", tmp_path)
    assert load_product(tmp_path / "product.toml").chip.name in UNTIL_RESET
