"""`rootwright prove --set`: a change that is on no file, and which verdicts it turns."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace

import pytest

from rootwright.cli import main
from rootwright.cli.what_if import read_overrides
from rootwright.describe.loading import load_product
from rootwright.pipeline import plan_product, prove_product
from rootwright.prove.explorer import Explorer
from rootwright.watch.views import same_for_prove
from rootwright.watch.what_if import ask

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
    assert "    broken claim  -                     " in out
    code, out, _ = run(capsys, demo, *QUICK, "--set", change, "--json")
    data = json.loads(out)
    assert data["set"] == [change]
    (turned,) = data["changes"]
    assert (turned["subject"], turned["level"]) == ("copy-over", "steady")
    assert (turned["before"], turned["after"]) == ("holds, closed", "fails with 0 power cuts")
    assert turned["erases_per_run"] == [96, None]
    assert turned["broken_claim"] == ["", data["proofs"][0]["counterexample"]["claim"]]
    assert data["proofs"][0]["remedy"]["helps"]


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


@pytest.mark.slow
def test_verdict_table_and_wear_stand_side_by_side(capsys, demo):
    change = "chip.memories.flash.sector=2 KiB"
    code, out, _ = run(capsys, demo, "--quick", "--set", change)
    assert code == 0
    head = out[: out.index("model-checked")]
    rows = {line[:21].strip(): line[21:].split("  ") for line in head.splitlines() if line.startswith("  ")}
    said = {name: [cell.strip() for cell in cells if cell.strip()] for name, cells in rows.items()}
    assert said["exchange-rotating"] == ["holds, closed", "holds, closed"]
    assert said["erases a run"] == ["192", "384"]
    assert said["erases per update"] == ["12", "24"]
    assert said["years it lasts"] == ["417", "208"]
    assert "lift              flash 0x00010000, 16 KiB  flash 0x0000C000, 8 KiB" in head
    # The same comparison as the plan's, from one place.
    with pytest.raises(SystemExit):
        main(["plan", str(demo), "--set", change])
    planned = capsys.readouterr().out
    table = planned[planned.index("  install, at most") : planned.index("updated by:")]
    assert table.rpartition("\n\n")[0] in out
    data = json.loads(run(capsys, demo, "--quick", "--set", change, "--json")[1])
    assert data["changes"] == []
    (pair,) = data["verdicts"]
    assert pair == {
        "subject": "exchange-rotating",
        "level": "steady",
        "before": "holds, closed",
        "after": "holds, closed",
        "erases_per_run": [192, 384],
        "broken_claim": ["", ""],
    }
    assert {"set", "proofs", "verdicts", "changes", "difference"} == set(data)
    assert {"procedure": "exchange-rotating", "figure": "worn_erases", "image": "", "before": 12, "after": 24} in (
        data["difference"]["changes"]
    )


KINDS = {
    "a sector size": "chip.memories.flash.sector=2 KiB",
    "another part": "chip=locks-until-reset",
    "an image's size": "image.application.growth=25 %",
    "a protection taken away": 'lock.write_protect=["boot", "keys", "run:application", "run:radio"]',
    "no protection": "lock.write_protect=[]",
    "a procedure": "update.procedure=copy-over",
    "an attacker": "attackers.in_scope=[]",
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_what_both_sides_share_changes_nothing(demo, kind):
    """Every verdict, story, remedy and number of states is what each side has when it is proved alone."""
    folder = demo.parent
    sets = ["pin=[]"] if kind == "another part" else []
    given = load_product(demo, overrides=read_overrides(sets))
    changed = load_product(demo, overrides=read_overrides([*sets, KINDS[kind]]))
    sides = [(product, plan_product(product, folder)) for product in (given, changed)]
    names = ("copy-over", "exchange-fixed", "either-slot") if kind != "another part" else ("copy-over",)
    answer = ask(*sides, folder, names=names, harder=False)
    assert ask(*sides, folder, names=names, harder=False, aside=True) == answer
    apart = [prove_product(*(side[0], folder, side[1]), names=names, harder=False) for side in sides]
    assert {proof.procedure: proof for proof in answer.proofs} == {proof.procedure: proof for proof in apart[1]}
    assert answer.verdicts
    for pair in answer.verdicts:
        before, after = (next((p.steady for p in side if p.procedure == pair.subject), None) for side in apart)
        assert (pair.before, pair.after) == (before and replace(before, exported=None), after)


@pytest.mark.slow
def test_what_is_the_same_is_explored_once(demo, monkeypatch):
    """A map that stays, at a level that stays: nothing can come out differently, and nothing is looked at again."""
    explored = []
    explore = Explorer.explore
    monkeypatch.setattr(Explorer, "explore", lambda self: explored.append(self.level.protect) or explore(self))
    folder = demo.parent
    products = [load_product(demo, overrides=read_overrides(sets)) for sets in ([], ["image.application.growth=25 %"])]
    sides = [(product, plan_product(product, folder)) for product in products]
    answer = ask(*sides, folder, names=("copy-over",), harder=False)
    assert len(explored) == 1
    assert answer.turned == ()
    assert answer.difference.changes


@pytest.mark.slow
def test_a_procedure_that_fits_one_side_only_says_so(capsys, demo, tmp_path):
    """A product that is too large for its procedure, asked about a change that makes room."""
    folder = tmp_path / "gauge"
    shutil.copytree(demo.parent, folder)
    file = folder / demo.name
    file.write_text(file.read_text().replace('growth = "15 %"', 'growth = "90 %"', 1))
    code, out, _ = run(capsys, file, "--quick", "--procedure", "copy-over", "--set", "image.application.growth=15 %")
    assert code == 0
    assert "  copy-over, steady: not explored -> holds, closed\n" in out
    row = next(line for line in out.splitlines() if line.startswith("  copy-over  "))
    assert row.split() == ["copy-over", "-", "holds,", "closed"]


@pytest.mark.slow
def test_a_failure_of_another_kind_is_no_turned_verdict_but_told(capsys, repository):
    flawed = repository / "demo" / "river-gauge-flawed" / "product.toml"
    code, out, _ = run(capsys, flawed, *QUICK, "--set", 'lock.write_protect=["boot"]')
    assert code == 1
    assert "  no verdict changes\n" in out
    row = next(line for line in out.splitlines() if line.startswith("    broken claim"))
    assert row.split("  ")[-2:] == ["no unapproved code runs", "an uncut boot reaches an authentic image"]


@pytest.mark.slow
def test_every_key_of_the_what_if_is_in_the_manual(capsys, demo, repository):
    data = json.loads(run(capsys, demo, *QUICK, "--set", "lock.write_protect=[]", "--json")[1])
    keys = {*data, *data["changes"][0]} - {"proofs"}
    page = (repository / "docs" / "prove.md").read_text(encoding="utf-8")
    table = page[page.index("four keys more") : page.index("## Repeat a failure")]
    assert keys == set(re.findall(r"`([a-z_]+)`", table))
