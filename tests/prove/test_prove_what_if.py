"""`rootwright prove --set`: a change that is on no file, and which verdicts it turns."""

from __future__ import annotations

import json

import pytest

from rootwright.cli import main
from rootwright.cli.what_if import read_overrides
from rootwright.describe.loading import load_product
from rootwright.pipeline import plan_product, prove_product
from rootwright.watch.views import same_for_prove

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


@pytest.mark.slow
def test_a_question_is_about_the_product_s_own_procedure(capsys, demo):
    code, out, _ = run(capsys, demo, "--quick", "--set", "update.procedure=copy-over", "--json")
    assert code == 0
    data = json.loads(out)
    assert [proof["procedure"] for proof in data["proofs"]] == ["copy-over", "exchange-rotating"]
    assert data["changes"] == []
    # Where the changed one has no map, it is about the one that was.
    code, out, _ = run(capsys, demo, "--quick", "--set", "update.procedure=bank-flip", "--json")
    assert code == 1
    assert [proof["procedure"] for proof in json.loads(out)["proofs"]] == ["exchange-rotating"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "same"),
    [
        ("fleet.devices=7", True),
        ("update.procedure=copy-over", True),
        ("chip.memories.flash.endurance=5", True),
        ("chip.memories.flash.reprogram=bits", False),
        ("attackers.in_scope=[]", False),
        ('lock.write_protect=["boot"]', False),
        ("chip.memories.flash.sector=2 KiB", False),
    ],
)
def test_a_verdict_stands_for_both_only_where_it_is_the_same(demo, change, same):
    folder = demo.parent
    products = [load_product(demo, overrides=read_overrides(sets)) for sets in (["pin=[]"], ["pin=[]", change])]
    plans = [plan_product(product, folder) for product in products]
    one, other = zip(products, plans, strict=True)
    assert same_for_prove(one, other, "exchange-rotating") == same
    assert not same_for_prove(one, other, "bank-flip")  # it has no map
    if same:
        proofs = [prove_product(p, folder, q, names=("copy-over",), harder=False) for p, q in (one, other)]
        assert proofs[0] == proofs[1]


def test_a_mistake_in_the_argument_is_bad_input(capsys, demo):
    code, _, err = run(capsys, demo, "--set", "lock.write_protect=boot")
    assert code == 2
    assert "--set lock.write_protect=boot" in err
