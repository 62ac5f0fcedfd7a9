"""`rootwright review` and the functions behind it."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from rootwright.bench.faults import Model
from rootwright.cli import main
from rootwright.describe.attack import Asset, Fact, Measure, Resist, Review
from rootwright.describe.chip import Chip
from rootwright.describe.loading import load_chip, load_product, profile_names
from rootwright.describe.product import Attacker, Product
from rootwright.errors import FormatError
from rootwright.pipeline import plan_product
from rootwright.pipeline_review import SINGLE_FAULTS, compare_parts, read_bench_report, review_product
from rootwright.plan.result import PlanResult
from rootwright.review.compare import move_to
from rootwright.review.drawing import describe_ways, draw_ways
from rootwright.review.factors import NEEDED_TO_RESIST
from rootwright.review.facts import CutVerdict, FaultVerdict
from rootwright.review.rate import ATTACKER_OF, make_review
from rootwright.review.result import ReviewResult

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def result(demo: Product, demo_plan: PlanResult) -> ReviewResult:
    return make_review(demo, demo_plan, cuts=CutVerdict(True, True))


@pytest.fixture
def product_file(tmp_path: Path, demo_folder: Path) -> Path:
    shutil.copytree(demo_folder, tmp_path / "demo", ignore=shutil.ignore_patterns("keys", "*.c", "*.h"))
    return tmp_path / "demo" / "product.toml"


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["review", *map(str, arguments)])
    printed = capsys.readouterr()
    assert isinstance(left.value.code, int)
    return left.value.code, printed.out, printed.err


# -- the ratings -------------------------------------------------------------------------------------------------------


def test_every_asset_is_rated_with_its_ways(result: ReviewResult) -> None:
    assert [review.asset for review in result.assets] == list(Asset)
    for review in result.assets:
        assert review.rating is not None
        assert review.front
        assert review.rating.low == min(path.first.low for path in review.front)
        assert review.rating.high == min(path.first.high for path in review.front)
        assert review.further is not None
        assert review.further.low <= review.rating.low
        assert review.ways >= len(review.front)
        had: set[str] = set()
        for identifier in review.front[0].steps:
            step = result.step(identifier)
            assert set(step.needs) <= had
            had.update(step.gives)
        assert review.asset in had


def test_a_way_in_scope_takes_no_step_of_others(result: ReviewResult, demo: Product) -> None:
    for review in result.assets:
        assert review.in_scope is not None
        for path in review.front_in_scope:
            for identifier in path.steps:
                attacker = ATTACKER_OF.get(result.step(identifier).kind)
                assert attacker is None or attacker in demo.attackers


@pytest.mark.slow
def test_more_attackers_never_make_a_product_safer(demo: Product, demo_plan: PlanResult, result: ReviewResult) -> None:
    wider = make_review(replace(demo, attackers=tuple(Attacker)), demo_plan, cuts=CutVerdict(True, True))
    for before, after in zip(result.assets, wider.assets, strict=True):
        assert after.in_scope == after.rating == before.rating
        assert before.in_scope is not None
        assert after.in_scope is not None
        assert after.in_scope.low <= before.in_scope.low


@pytest.mark.slow
def test_a_measure_never_lowers_a_rating(demo: Product, demo_plan: PlanResult, result: ReviewResult) -> None:
    for measure in Measure:
        guarded = make_review(replace(demo, review=Review(measures=(measure,))), demo_plan, cuts=CutVerdict(True, True))
        for before, after in zip(result.assets, guarded.assets, strict=True):
            assert before.rating is not None
            assert after.rating is not None
            assert (after.rating.low, after.rating.high) >= (before.rating.low, before.rating.high), measure


@pytest.mark.slow
def test_a_key_in_hardware_is_worth_points(demo: Product, demo_plan: PlanResult) -> None:
    keys = tuple(replace(key, demo=False) for key in demo.keys)
    soft = make_review(replace(demo, keys=keys), demo_plan).asset(Asset.SIGNING_KEYS)
    measures = Review(measures=(Measure.KEY_IN_HARDWARE,))
    hard = make_review(replace(demo, keys=keys, review=measures), demo_plan).asset(Asset.SIGNING_KEYS)
    assert soft.rating is not None
    assert hard.rating is not None
    assert hard.rating.low >= soft.rating.low + 10
    assert hard.front[0].steps[-1] == "break-key-hardware"
    # What a class break takes stays nothing: one key signs for all devices.
    assert hard.further is not None
    assert hard.further.high == 0


@pytest.mark.slow
def test_a_lost_protection_is_named_with_what_is_left(
    demo: Product, demo_plan: PlanResult, result: ReviewResult
) -> None:
    loss = next(loss for loss in result.asset(Asset.VERSION_FLOOR).losses if loss.protections == (Fact.FLOOR_LOCKED,))
    opened = replace(demo, protect=tuple(block for block in demo.protect if block != "floor"))
    without = make_review(opened, demo_plan, cuts=CutVerdict(True, True)).asset(Asset.VERSION_FLOOR)
    assert without.rating == loss.after


@pytest.mark.slow
@pytest.mark.parametrize("resist", [None, *Resist])
def test_what_the_product_asks_is_compared_with_the_lower_guess_in_scope(
    demo: Product, demo_plan: PlanResult, resist: Resist | None
) -> None:
    reviewed = make_review(replace(demo, review=Review(resist=resist)), demo_plan)
    short = {finding.block for finding in reviewed.findings if finding.rule == "review.resist"}
    for review in reviewed.assets:
        assert review.in_scope is not None
        below = resist is not None and review.in_scope.low < NEEDED_TO_RESIST[resist]
        assert (review.asset in short) is below
    assert reviewed.has_findings is bool(short)


@pytest.mark.slow
def test_what_was_looked_at_is_named(demo: Product, demo_plan: PlanResult, demo_folder: Path) -> None:
    assert make_review(demo, demo_plan).seen == ()
    assert review_product(demo, demo_folder, demo_plan, check_cuts=False).seen == ("lock-down",)
    assert review_product(demo, demo_folder, demo_plan).seen == ("lock-down", "prove")


# -- pictures ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asset", Asset)
def test_the_picture_shows_each_way_s_steps_and_says_them_in_words(result: ReviewResult, asset: Asset) -> None:
    review = result.asset(asset)
    picture = draw_ways(result, review)
    root = ElementTree.fromstring(picture)
    texts = [element.text or "" for element in root.iter(f"{SVG}text")]
    description = root.find(f"{SVG}desc")
    assert description is not None
    assert description.text == describe_ways(result, review)
    for path in review.front[:4]:
        for identifier in path.steps:
            assert result.step(identifier).title in texts
    assert review.rating is not None
    assert any(review.rating.words in text for text in texts)
    # Nothing leaves the paper.
    width, height = (float(value) for value in root.attrib["viewBox"].split()[2:])
    for element in root.iter(f"{SVG}text"):
        x, y = float(element.attrib["x"]), float(element.attrib["y"])
        length = 0.0 if element.attrib.get("text-anchor") == "end" else 8.2 * len(element.text or "")
        assert x + length <= width
        assert y <= height
    # Hatching tells the cheapest way apart without colour.
    assert picture.count("url(#h-way)") > 2


def test_a_tree_without_a_way_is_drawn_as_such(result: ReviewResult) -> None:
    review = replace(result.asset(Asset.BOOT_CODE), rating=None, front=(), front_in_scope=())
    assert "no way in the catalogue" in draw_ways(result, review)
    assert describe_ways(result, review) == "The catalogue has no way to boot code."


def test_texts_of_own_steps_cannot_break_the_picture(demo: Product, demo_plan: PlanResult) -> None:
    from rootwright.review.catalogue import packaged_steps

    step = next(step for step in packaged_steps() if step.id == "read-update")
    own = replace(step, title="<script>alert(1)</script> & more", rater="field service group")
    reviewed = make_review(replace(demo, review=Review(steps=(own,))), demo_plan)
    picture = draw_ways(reviewed, reviewed.asset(Asset.CONFIDENTIALITY))
    assert "<script>" not in picture
    ElementTree.fromstring(picture)


# -- other parts -------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_product_is_compared_on_every_part(demo: Product, demo_folder: Path) -> None:
    asked: list[str] = []
    comparison = compare_parts(demo, demo_folder, on_part=asked.append)
    assert {row.part for row in comparison.rows} == {load_chip(n).name for n in profile_names()} | {demo.chip.name}
    assert asked == [row.part for row in comparison.rows]
    assert comparison.rows[-1].own
    strengths = [row.strength for row in comparison.rows[:-1]]
    assert strengths == sorted(strengths)
    by_part = {row.part: row for row in comparison.rows}
    assert by_part["no-isolation"].reason
    assert not by_part["no-isolation"].can_host
    for row in comparison.rows:
        plan = plan_product(demo if row.own else move_to(demo, load_chip(row.part)), demo_folder)
        if row.fits and row.protected:
            assert plan.plan.row.rooms == row.largest
            assert [asset for asset, _ in row.assets] == list(Asset)
            assert row.aims is not None
        else:
            assert plan.plan.map is None
        assert row.fits or not row.assets
    # Keys behind a boundary are worth something against an exploited application.
    vault, own = dict(by_part["key-vault"].assets), dict(comparison.rows[-1].assets)
    assert vault[Asset.DEVICE_KEYS] is not None
    assert own[Asset.DEVICE_KEYS] is not None
    assert vault[Asset.DEVICE_KEYS].low > own[Asset.DEVICE_KEYS].low
    data = json.loads(json.dumps(comparison.as_data()))
    assert len(data["parts"]) == len(comparison.rows)


def test_a_product_leaves_its_addresses_behind(demo: Product) -> None:
    part: Chip = load_chip("secure-split")
    moved = move_to(demo, part)
    assert moved.chip is part
    assert moved.pins == ()
    assert {(image.at, image.memory) for image in moved.images} == {(None, None)}
    assert {(keep.at, keep.memory) for keep in moved.keep} == {(None, None)}
    assert moved.protect == demo.protect


# -- the command -------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_report_fits_and_names_every_asset(product_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, product_file)
    assert code == 0
    assert max(map(len, out.splitlines())) <= 120
    for asset in Asset:
        assert re.search(rf"^  {asset} ", out, flags=re.MULTILINE)
    assert out.endswith("no rule is broken\n")


@pytest.mark.slow
def test_json_says_the_same(product_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, product_file, "--json", "--quick")
    data: dict[str, Any] = json.loads(out)
    assert code == 0
    assert data["version"] == 1
    assert data["seen"] == ["lock-down"]
    ratings = {row["asset"]: row["rating"]["low"] for row in data["assets"]}
    product = load_product(product_file)
    plan = plan_product(product, product_file.parent)
    reviewed = review_product(product, product_file.parent, plan, check_cuts=False)
    assert ratings == {str(r.asset): r.rating.low for r in reviewed.assets if r.rating is not None}
    known = {step["id"] for step in data["steps"]}
    assert all(step in known for row in data["assets"] for way in row["front"] for step in way["steps"])


@pytest.mark.slow
def test_files_are_written(product_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, _ = run(capsys, product_file, "--quick", "--svg", tmp_path / "svg", "--sarif", tmp_path / "found.sarif")
    assert code == 0
    assert len(list((tmp_path / "svg").glob("*.svg"))) == len(Asset)
    log = json.loads((tmp_path / "found.sarif").read_text())
    uris = {r["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] for r in log["runs"][0]["results"]}
    assert uris == {"product.toml"}


@pytest.mark.slow
def test_one_asset_is_shown_step_by_step(product_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, product_file, "--quick", "--asset", "signing keys")
    assert code == 0
    assert "way 1: " in out
    assert "copy-demo-key: Copy a demonstration key that nobody guards" in out
    assert "It lies beside the firmware" in out
    assert max(map(len, out.splitlines())) <= 120
    code, _, err = run(capsys, product_file, "--quick", "--asset", "the moon")
    assert code == 2
    assert "use one of: boot code, application authenticity" in err


@pytest.mark.slow
def test_a_product_that_asks_too_much_is_a_finding(product_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    product_file.write_text(product_file.read_text() + '\n[review]\nresist = "high"\n')
    code, out, _ = run(capsys, product_file, "--quick")
    assert code == 1
    assert "finding: review.resist: signing keys: the cheapest way" in out
    assert "even the higher guess stays below" in out


@pytest.mark.slow
def test_parts_are_compared_in_a_table(product_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, product_file, "--across")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 120
    assert "GX-512*" in out
    code, out, _ = run(capsys, product_file, "--across", "--json")
    assert code == 0
    assert len(json.loads(out)["parts"]) == len(profile_names()) + 1
    code, _, err = run(capsys, product_file, "--across", "--svg", "x")
    assert code == 2
    assert "leave out" in err


@pytest.mark.slow
def test_parts_are_compared_under_power_cuts_where_that_is_asked_for(
    product_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rootwright.pipeline_review.profile_names", lambda: ("no-isolation", "rv32-pmp"))
    code, out, _ = run(capsys, product_file, "--across", "--prove", "--json")
    assert code == 0
    data = json.loads(out)
    assert data["cuts_checked"]
    rows = {row["part"]: row for row in data["parts"]}
    assert (rows["no-isolation"]["cuts"], rows["GX-512"]["cuts"]) == (None, True)
    code, out, _ = run(capsys, product_file, "--across", "--json")
    open_rows = {row["part"]: row for row in json.loads(out)["parts"]}
    assert {row["cuts"] for row in open_rows.values()} == {None}
    # What was checked and holds costs an attacker more than what nobody looked at.
    floors = [part["GX-512"]["assets"]["version floor"]["low"] for part in (open_rows, rows)]
    assert floors[0] < floors[1]
    code, out, _ = run(capsys, product_file, "--across", "--prove")
    assert max(map(len, out.splitlines())) <= 120
    assert re.search(r"GX-512\* .* hold ", out)
    assert "were not checked" not in out
    code, _, err = run(capsys, product_file, "--prove")
    assert code == 2
    assert "goes with --across" in err


REPORT = {
    "kind": "faults",
    "boot": "boot.elf",
    "boot_sha256": "00" * 32,
    "runs": [
        {"counts": [["skip", "refused", 90], ["two", "unapproved code ran", 4]], "fails": ""},
        {"counts": [["skip", "hit", 3]], "fails": ""},
    ],
    "findings": [{"counts": [["skip", "unapproved code ran", 3]]}, {"counts": [["two", "unapproved code ran", 4]]}],
}


def report_of(counts: list[list[Any]], **changes: Any) -> str:
    return json.dumps({**REPORT, "runs": [{"counts": counts, "fails": ""}], "findings": [], **changes})


def test_a_bench_report_gives_single_faults_and_hits() -> None:
    assert read_bench_report(json.dumps(REPORT)) == FaultVerdict(93, 3, whole=False)
    clean = read_bench_report(report_of([[model, "refused", 5] for model in sorted(SINGLE_FAULTS)]))
    assert clean == FaultVerdict(35, 0)
    assert clean.is_clean


def test_half_a_campaign_shows_no_clean_boot_stage() -> None:
    assert {model.value for model in Model} - {Model.TWO.value} == SINGLE_FAULTS
    whole = [[model, "refused", 5] for model in sorted(SINGLE_FAULTS)]
    assert not read_bench_report(report_of(whole[1:])).is_clean
    assert not read_bench_report(report_of([*whole[1:], [whole[0][0], "refused", 0]])).is_clean
    fails = read_bench_report(report_of(whole, runs=[{"counts": whole, "fails": "it does not start"}]))
    assert not fails.is_clean


def test_a_report_on_another_boot_stage_is_refused() -> None:
    boot = b"the product's boot stage"
    text = report_of([["skip", "refused", 5]], boot_sha256=sha256(boot).hexdigest())
    assert read_bench_report(text, boot=boot).tried == 5
    with pytest.raises(FormatError, match="run the bench again"):
        read_bench_report(text, boot=boot + b".")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        "[" * 5000,
        '{"runs": [], "findings": []}',
        '{"runs": [{"counts": [["skip", "x", "many"]]}], "findings": []}',
        '{"runs": [{"counts": [["skip", "x", -1]]}], "findings": []}',
        '{"runs": [{"counts": [["skip", "x"]]}], "findings": []}',
        '{"runs": [{"counts": [["skip", "x", 1]], "fails": ""}], "findings": []}',
        report_of([["skip", "x", 1]], findings=[{"counts": [["skip", "x", 2]]}]),
    ],
)
def test_what_is_no_bench_report_is_refused(text: str) -> None:
    with pytest.raises(FormatError, match="rootwright bench"):
        read_bench_report(text, name="b.json")


@pytest.mark.slow
def test_faults_found_on_the_bench_are_a_finding(product_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    report = product_file.with_name("bench.json")
    boot = product_file.parent / "firmware" / "built" / "boot.elf"
    report.write_text(json.dumps({**REPORT, "boot_sha256": sha256(boot.read_bytes()).hexdigest()}))
    code, out, _ = run(capsys, product_file, "--quick", "--bench", report)
    assert code == 1
    assert "finding: physical.bench-hits: 3 of 93 faults tried on the bench got through" in out
    assert "lock-down, bench" in out
    report.write_text(json.dumps(REPORT))
    code, _, err = run(capsys, product_file, "--quick", "--bench", report)
    assert code == 2
    assert "the product's" in err
    report.write_bytes(b"\xff\x00nothing")
    code, _, err = run(capsys, product_file, "--quick", "--bench", report)
    assert code == 2
    assert "bench.json" in err


def test_a_file_with_mistakes_is_bad_input(product_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    product_file.write_text(product_file.read_text() + '\n[review]\nresist = "utterly"\n')
    code, _, err = run(capsys, product_file)
    assert code == 2
    assert "resist" in err


@pytest.mark.slow
def test_a_product_without_a_map_is_reviewed_all_the_same(
    product_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    product_file.write_text(product_file.read_text().replace('"exchange-rotating"', '"bank-flip"', 1))
    code, out, _ = run(capsys, product_file)
    assert code in (0, 1)
    assert "nothing else" in out  # neither locked down nor model-checked
