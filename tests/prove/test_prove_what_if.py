"""`rootwright prove --set`: a change that is on no file, and which verdicts it turns."""

from __future__ import annotations

import json

import pytest

from rootwright.cli import main

QUICK = ("--quick", "--procedure", "copy-over")


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as left:
        main(["prove", *map(str, arguments)])
    told = capsys.readouterr()
    return left.value.code, told.out, told.err


@pytest.fixture
def demo(repository):
    return repository / "demo" / "river-gauge" / "product.toml"


@pytest.mark.slow
def test_a_protection_taken_away_turns_the_verdict(capsys, demo):
    change = 'lock.write_protect=["boot", "keys"]'
    code, out, _ = run(capsys, demo, *QUICK, "--set", change)
    assert code == 1
    assert out.startswith(f"What if: {change}\n\n  copy-over, steady: holds, closed -> fails with 0 power cuts\n")
    code, out, _ = run(capsys, demo, *QUICK, "--set", change, "--json")
    data = json.loads(out)
    assert data["set"] == [change]
    (turned,) = data["changes"]
    assert (turned["subject"], turned["level"]) == ("copy-over", "steady")
    assert (turned["before"], turned["after"]) == ("holds, closed", "fails with 0 power cuts")


@pytest.mark.slow
def test_what_turns_no_verdict_says_so(capsys, demo):
    code, out, _ = run(capsys, demo, *QUICK, "--set", "fleet.devices=7")
    assert code == 0
    assert "  no verdict changes\n" in out


def test_a_mistake_in_the_argument_is_bad_input(capsys, demo):
    code, _, err = run(capsys, demo, "--set", "lock.write_protect=boot")
    assert code == 2
    assert "--set lock.write_protect=boot" in err
