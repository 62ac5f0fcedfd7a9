"""Hostile trials as bytes in staging, the product's packer among the mutations, and a campaign within a budget."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import count
from pathlib import Path

import pytest

from rootwright.bench.budget import fit
from rootwright.bench.campaign import Mode, golden_for
from rootwright.bench.faults import CHEAP
from rootwright.bench.hostile import Offerer, offer_all
from rootwright.bench.subject import Subject
from rootwright.cli import assure, main
from rootwright.dossier.bench import read_bench_result
from rootwright.pipeline_bench import FAULTS, find_updates


def test_trials_reach_staging_packed_by_the_products_own_packer(subject_of: Callable[..., Subject]) -> None:
    updates, packer, why = find_updates(subject_of())
    assert packer is not None
    assert not why
    trials = [update for update in updates if update.kind == "trials"]
    names = {update.origin.split()[1].rstrip(",") for update in trials}
    assert {"format-header", "format-code", "format-cut", "format-stranger", "wrong-format", "altered-payload"} <= names
    assert len({update.data for update in trials}) == len(trials) > 200
    genuine = packer.pack(packer.code)
    assert all(update.data != genuine for update in trials)
    assert genuine == Offerer(subject_of()).original[: len(genuine)]
    # Signed says the product's own reader: packed anew with other code, but not what was only altered.
    assert not any(update.signed for update in trials if "format-header" in update.origin)
    assert all(update.signed for update in updates if update.origin.startswith("packed anew with"))


def test_without_a_place_for_them_there_are_no_trials(subject_of: Callable[..., Subject], demo_folder: Path) -> None:
    path = demo_folder / "unstaged.toml"
    text = (demo_folder / "product.toml").read_text()
    path.write_text(text.replace("[bench.staged]\nat = 0x0000_E000", "[bench.staged]\nat = 0x0000_A000"))
    updates, packer, why = find_updates(subject_of("unstaged"))
    assert not updates
    assert packer is None
    assert why == "the map stages no image of the release at 0x0000A000"


def test_a_result_says_why_it_has_no_trials(
    subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rootwright.bench.hostile._lengths", lambda offerer: iter(()))
    result = offer_all(subject_of(), seconds=0, clock=lambda: 0.0, no_trials="the product has none")
    assert "  no trials among them: the product has none" in result.text()
    data = {"kind": "hostile", "boot": "boot.elf", "boot_sha256": "00" * 32, **result.data()}
    assert read_bench_result(json.dumps(data)).level.endswith("no hostile trials among them: the product has none")


def test_the_command_s_budget_is_the_one_of_the_pipeline() -> None:
    (option,) = [each for each in assure.command.params if each.name == "faults"]
    assert option.default == FAULTS


@pytest.mark.slow
@pytest.mark.parametrize(
    ("boot", "broken"),
    [
        ("arm-copy-plain.elf", ""),
        ("arm-copy-hardened.elf", ""),
        ("arm-flaw-length-unchecked.elf", "trial format-header"),
        ("arm-flaw-result-unset.elf", "trial wrong-format"),
    ],
)
def test_trials_find_flawed_parsers_and_no_sound_one(
    boot: str, broken: str, subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rootwright.bench.hostile._lengths", lambda offerer: iter(()))
    subject = subject_of(boot=boot)
    updates, _, _ = find_updates(subject)
    result = offer_all(subject, seconds=0, clock=lambda: 0.0, trials=updates)
    assert result.offered["trials"] > 200
    assert result.outcomes["version-3 ran"] >= 1  # The genuine one.
    assert any(broken in finding.origin for finding in result.findings) if broken else result.holds


@pytest.mark.slow
def test_mutations_go_through_the_packer_too(
    subject_of: Callable[..., Subject], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rootwright.bench.hostile._lengths", lambda offerer: iter(()))
    subject = subject_of()
    _, packer, _ = find_updates(subject)
    ticks = count()
    result = offer_all(subject, seconds=200, clock=lambda: float(next(ticks)), packer=packer)
    assert result.offered["packed mutations"] > 20
    assert result.offered["mutations"] > 100
    assert result.outcomes["the update ran, signed with the trial key"] > 10
    assert result.holds


@pytest.mark.slow
def test_budget_is_kept_and_spread_over_all_runs(subject_of: Callable[..., Subject]) -> None:
    subject = subject_of()
    goldens = [golden_for(subject, start, Mode.HOOKED) for start in subject.starts()[:3]]
    whole = fit(subject, goldens, 10**9)
    assert whole.step == 1
    assert whole.faults == whole.chosen
    for most in (5000, 700, 60):
        fitted = fit(subject, goldens, most)
        assert most / 3 < fitted.faults <= most
        assert fitted == fit(subject, goldens, most)
        assert fitted.words.startswith(f"a budget of {fitted.faults:,} faults: ")
        for plan, golden in zip(fitted.plans, goldens, strict=True):
            assert plan.some == CHEAP
            assert set(plan.sites) <= set(whole.plans[0].sites) | set(range(len(golden.pcs)))
            assert plan.sites
    starts = [plan.sites[0] for plan in fit(subject, goldens, 700).plans]
    assert len(set(starts)) == len(starts)


@pytest.mark.slow
def test_assure_benches_the_boot_program_within_its_budget(
    demo_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (demo_folder / "product.toml").read_text()
    product = demo_folder / "two-runs.toml"
    runs = text.split("[[bench.run]]")
    product.write_text("[[bench.run]]".join([run for run in runs if 'name = "tampered' not in run][:3]))
    pages = []
    for out in ("a", "b"):
        with pytest.raises(SystemExit) as left:
            main(
                ["assure", str(product), "--out", str(tmp_path / out), "--bench-faults", "300"]
                + ["--json"] * (out == "b")
            )
        assert left.value.code == 1
        pages.append((tmp_path / out / "dossier.html").read_bytes())
    assert pages[0] == pages[1]
    text = capsys.readouterr().out
    data = json.loads(text[text.index("\n{") :])
    rows = {row["subject"]: row for row in data["verdicts"] if "ELF" in row["artefact"]}
    assert len(rows) == 3
    assert not any(row["outcome"] == "not tested" for row in rows.values())
    assert "one in " in next(row["level"] for subject, row in rows.items() if "fault" in subject)
    page = pages[0].decode()
    for words in ("under power cuts", "under hostile updates", "under faults", "a budget of ", "one in "):
        assert words in page
    assert "the boot stage's own code was not run" not in page
