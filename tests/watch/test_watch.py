"""Watching a product: which stages a change runs again, that views change no result, mistakes, the terminal, Ctrl-C."""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import pytest

from rootwright.cli import main
from rootwright.describe.loading import load_chip, load_product
from rootwright.describe.product import Product, Update
from rootwright.describe.starter import starter_product
from rootwright.pipeline import lock_down, plan_product, prove_product
from rootwright.plan.lockdown.result import Met
from rootwright.review.facts import CutVerdict
from rootwright.review.rate import make_review
from rootwright.watch.rounds import Round, look, run_round
from rootwright.watch.stages import Stages
from rootwright.watch.views import lockdown_view, plan_view, prove_view, release_view, review_view
from rootwright.work_folder import WorkFolder, as_plain

DEMO = Path(__file__).resolve().parents[2] / "demo"
PRODUCTS = [DEMO / "own-format/product.toml", DEMO / "river-gauge/product.toml", DEMO / "own-procedure/product.toml"]


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    for name in ("own-format", "pump-controller"):
        ignore = shutil.ignore_patterns("keys", "__pycache__", ".rootwright")
        shutil.copytree(DEMO / name, tmp_path / name, ignore=ignore)
    return tmp_path / "own-format"


def look_again(demo: Path) -> Round:
    return run_round(demo / "product.toml", WorkFolder(demo / ".rootwright"))


def ran(done: Round) -> set[str]:
    return {row.name for row in done.rows if row.ran}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text, old
    path.write_text(text.replace(old, new))


@pytest.mark.slow
def test_a_change_runs_what_depends_on_it_and_nothing_else(demo: Path) -> None:
    product, chip = demo / "product.toml", demo.parent / "pump-controller/qd-256.toml"
    firmware = demo.parent / "pump-controller/firmware/built/application-1.2.0.elf"
    everything = {"check", "plan", "prove", "lockdown", "review", "release", "trials"}
    first = look_again(demo)
    assert ran(first) == everything
    assert {row.name: row.state for row in first.rows if row.state != "fine"} == {"review": "finding"}  # no way back
    assert first.exit_code == 1
    again = look_again(demo)
    assert ran(again) == set()
    assert [(row.state, row.summary) for row in again.rows] == [(row.state, row.summary) for row in first.rows]

    def pump(old: bytes, new: bytes) -> None:
        data = firmware.read_bytes()
        assert old in data
        firmware.write_bytes(data.replace(old, new))

    def note(path: Path) -> None:
        path.write_text("nothing reads this")

    changes: list[tuple[Callable[[], None], set[str]]] = [
        (lambda: edit(product, "# Alderwater PC-2", "# The Alderwater PC-2"), set()),  # a comment
        (lambda: edit(product, "4_000", "5_000"), {"check", "plan", "review"}),  # the fleet: figures of wear
        (
            lambda: edit(product, 'in_scope = ["network"]', 'in_scope = ["network", "exploited application"]'),
            {"check", "prove", "lockdown", "review"},
        ),
        (lambda: edit(product, '["boot", "keys", "floor"]', '["boot", "keys", "floor", "journal"]'), everything),
        (lambda: edit(product, '"Application 1.2.0"', '"New curves"'), {"check", "release", "trials"}),
        (
            lambda: edit(chip, 'typ = "20 ms", max = "40 ms"', 'typ = "21 ms", max = "40 ms"'),
            {"check", "plan", "review"},
        ),
        (lambda: edit(demo / "own_format.py", "shorter than", "less than"), {"release", "trials"}),
        (lambda: pump(b"PC-2 application", b"PC-3 application"), {"plan", "review", "release", "trials"}),
        (lambda: note(demo / "notes.txt"), set()),
    ]
    for change, expected in changes:
        change()
        done = look_again(demo)
        assert ran(done) == expected, [row for row in done.rows if row.ran]
    pump(b"PC-3 application", b"PC-2 application")
    assert ran(look_again(demo)) == set()  # what was once the case is still kept


@pytest.mark.parametrize("path", PRODUCTS, ids=lambda path: path.parent.name)
def test_the_view_of_the_plan_changes_no_map_and_no_finding(path: Path) -> None:
    product = load_product(path)
    whole, seen = plan_product(product, path.parent), plan_product(plan_view(product), path.parent)
    assert [as_plain(plan.outcome) for plan in whole.plans] == [as_plain(plan.outcome) for plan in seen.plans]
    assert [as_plain(plan.row) for plan in whole.plans] == [as_plain(plan.row) for plan in seen.plans]
    assert whole.findings == seen.findings


@pytest.mark.slow
@pytest.mark.parametrize("path", PRODUCTS, ids=lambda path: path.parent.name)
def test_the_view_of_the_proof_changes_no_verdict(path: Path) -> None:
    product = load_product(path)
    plan = plan_product(product, path.parent)
    proof = prove_product(product, path.parent, plan, names=(plan.chosen,), harder=False)[0]
    stages = Stages(product, path.parent, ())
    result = stages.prove(stages.plan().run()).run()
    assert result["summary"] == f"{proof.procedure}: {proof.steady.words}, {proof.steady.states:,} states"
    assert (result["state"] == "fine") == proof.steady.holds


@pytest.mark.slow
@pytest.mark.parametrize("path", PRODUCTS, ids=lambda path: path.parent.name)
def test_the_views_of_lock_down_and_review_change_no_result(path: Path) -> None:
    product = load_product(path)
    plan = plan_product(product, path.parent)
    whole = lock_down(product, plan)
    stages = Stages(product, path.parent, ())
    planned = stages.plan().run()
    locked = stages.lockdown(planned).run()
    assert locked["lines"] == [f"{c.rule}: {c.found}; {c.next_step}" for c in whole.conflicts if not c.note]
    met = sum(aim.met is Met.MET for aim in whole.aims)
    assert locked["summary"] == f"isolation rests on {whole.isolation}; {met} of {len(whole.aims)} aims met"
    proved = stages.prove(planned).run()
    rated = make_review(product, plan, lockdown=whole, cuts=CutVerdict(proved["holds"], proved["closed"]))
    seen = stages.review(proved).run()
    assert seen["lines"] == [f"{f.rule}: {f.found}; {f.next_step}" for f in rated.findings if not f.note]
    assert (seen["state"] == "fine") == (not rated.has_findings)


@pytest.mark.parametrize("view", [plan_view, prove_view, lockdown_view, review_view, release_view])
def test_views_keep_every_field_that_they_do_not_name(view: Callable[[Product], Product]) -> None:
    # A field that is added to a product later is in every view by itself.
    product = load_product(PRODUCTS[0])
    seen = view(product)
    kept = {f.name for f in fields(Product) if getattr(seen, f.name) == getattr(product, f.name)}
    assert {"keep", "protect", "secret"} <= kept
    assert {f.name for f in fields(Update) if getattr(seen.update, f.name) == getattr(product.update, f.name)} >= {
        *("procedure", "trial", "watchdog_s", "staging")
    }


def test_mistakes_are_rows_and_later_stages_wait(demo: Path) -> None:
    edit(demo / "product.toml", 'procedure = "copy-over"', 'procedure = "copyover"')
    done = look_again(demo)
    assert [row.state for row in done.rows] == ["bad", *["waits"] * 6]
    assert "copy-over" in done.rows[0].lines[0]
    assert done.exit_code == 2
    assert demo / "product.toml" in done.files
    assert demo / "../pump-controller/qd-256.toml" in done.files
    (demo / "product.toml").unlink()
    assert look_again(demo).rows[0].state == "bad"


@pytest.mark.slow
def test_the_proof_covers_what_migrates(demo: Path) -> None:
    edit(demo / "product.toml", 'name = "pump-settings"', 'name = "pump-settings"\nmigrate = { before = 1, after = 2 }')
    row = look_again(demo).rows[2]
    assert (row.name, row.state) == ("prove", "fine"), row
    assert row.summary.endswith("; 1 of 1 migration holds")


@pytest.mark.slow
def test_a_product_without_firmware_yet_waits_for_it(tmp_path: Path) -> None:
    (tmp_path / "product.toml").write_text(starter_product(load_chip("key-vault"), "key-vault"))
    done = run_round(tmp_path / "product.toml", WorkFolder(tmp_path / "work"))
    assert {row.name: row.state for row in done.rows if row.name in ("prove", "release", "trials")} == {
        "prove": "fine",
        "release": "waits",
        "trials": "waits",
    }
    assert "application" in done.rows[-1].summary
    assert done.exit_code == 1


def test_a_missing_firmware_file_is_watched_for(demo: Path) -> None:
    firmware = demo.parent / "pump-controller/firmware/built/application-1.2.0.elf"
    first = look_again(demo)
    names = {path.resolve() for path in first.files}
    chip = demo.parent / "pump-controller/qd-256.toml"
    assert {firmware, chip, demo / "product.toml", demo / "own_format.py"} <= names
    firmware.unlink()
    assert look_again(demo).exit_code == 2


def test_a_damaged_firmware_file_is_bad_and_a_map_that_does_not_fit_a_finding(demo: Path) -> None:
    built = demo.parent / "pump-controller/firmware/built"
    (built / "application-1.2.0.elf").write_bytes(b"\x7fELF, cut")
    done = look_again(demo)
    assert [row.state for row in done.rows[:3]] == ["fine", "bad", "waits"]
    shutil.copy(built / "application-1.1.0.elf", built / "application-1.2.0.elf")
    edit(demo / "product.toml", 'size = "4 KiB"', 'size = "100 KiB"')
    edit(demo / "product.toml", '[[pin]]\nblock = "keep:pump-settings"\nat = 0x0043_F000\n', "")
    done = look_again(demo)
    assert [row.state for row in done.rows[:3]] == ["fine", "finding", "waits"]
    assert done.exit_code == 1


@pytest.mark.slow
def test_a_packer_that_reads_other_files_or_starts_something_is_never_kept(demo: Path) -> None:
    elsewhere = demo.parent / "elsewhere"
    elsewhere.write_text("1")
    edit(
        demo / "own_format.py",
        "    major, minor, patch = (int(part)",
        f'    Path("{elsewhere}").read_text()\n    major, minor, patch = (int(part)',
    )
    assert {"release", "trials"} <= ran(look_again(demo))
    assert ran(look_again(demo)) == {"release", "trials"}


@pytest.mark.slow
def test_commands_are_run_every_time(demo: Path) -> None:
    (demo / "copy.py").write_text(
        "import sys\ndata = open(sys.argv[1], 'rb').read()\n"
        "made = bytes(256) + data if sys.argv[3] == 'pack' else data[256:]\n"
        "open(sys.argv[2], 'wb').write(made)\nprint('1.2.0')\n"
    )
    for name in ("pack", "read"):
        words = f'["{sys.executable}", "copy.py", "{{input}}", "{{output}}", "{name}"]'
        edit(demo / "product.toml", f'"own_format:{name}"', words)
    stages = Stages(load_product(demo / "product.toml"), demo, ())
    planned = stages.plan().run()
    assert not stages.release(planned).keepable
    assert not stages.trials(planned).keepable
    assert stages.prove(planned).keepable


def test_a_change_during_a_stage_is_not_kept_under_the_old_content(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from rootwright.watch import rounds

    stages = Stages(load_product(demo / "product.toml"), demo, ())
    stage = stages.plan()
    firmware = demo.parent / "pump-controller/firmware/built/application-1.2.0.elf"
    run = stage.run

    def changing() -> dict[str, object]:
        result = run()
        firmware.write_bytes(firmware.read_bytes() + b"\0")
        return result

    object.__setattr__(stage, "run", changing)
    work = WorkFolder(demo / ".rootwright")
    rounds.run_stage(stage, work, lambda _: None)
    assert not list((demo / ".rootwright").glob("*.json"))


def test_looking_sees_every_kind_of_change(tmp_path: Path) -> None:
    path = tmp_path / "f"
    seen = [look([path])]
    path.write_bytes(b"1")
    seen.append(look([path]))
    path.write_bytes(b"22")
    seen.append(look([path]))
    (tmp_path / "g").write_bytes(b"33")
    os.utime(tmp_path / "g", ns=(0, path.stat().st_mtime_ns))
    os.replace(tmp_path / "g", path)  # same size and time, another file
    seen.append(look([path]))
    assert len({str(each) for each in seen}) == 4


# The command


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert isinstance(left.value.code, int)
    return left.value.code, capsys.readouterr().out


@pytest.mark.slow
def test_command_once(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, printed = run(["watch", str(demo / "product.toml"), "--once"], capsys)
    assert code == 1
    assert "run: check, plan, prove, lockdown, review, release, trials; kept from before: 0" in printed
    code, printed = run(["watch", str(demo / "product.toml"), "--once", "--json"], capsys)
    rows = json.loads(printed)["stages"]
    assert all(row["kept"] for row in rows)
    assert [row["stage"] for row in rows if row["state"] != "fine"] == ["review"]
    code, printed = run(
        ["watch", str(demo / "product.toml"), "--once", "--work", str(demo / "w"), "--every", "1"], capsys
    )
    assert "kept from before: 0" in printed
    assert list((demo / "w").glob("*.json"))


def watching(demo: Path, **options: object) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "rootwright", "watch", str(demo / "product.toml"), "--every", "0.05"]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, **options)  # type: ignore[call-overload, no-any-return]


@pytest.mark.slow
def test_a_change_in_the_middle_of_a_round_asks_for_another(demo: Path) -> None:
    # The packer changes a file that the watch looks at, so the change always falls into the round.
    edit(
        demo / "own_format.py",
        "    major, minor, patch = (int(part)",
        "    (Path(__file__).parent / 'seen.txt').write_text(str(about.key))\n    major, minor, patch = (int(part)",
    )
    (demo / "seen.txt").write_text("")
    process = watching(demo, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    try:
        read_until(process.stdout.fileno(), b"kept from before: 7")
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=60)


def read_until(descriptor: int, wanted: bytes, *, limit_s: float = 120) -> bytes:
    """Return everything up to a text; fails where it does not come."""
    seen, end = b"", time.monotonic() + limit_s
    while wanted not in seen and time.monotonic() < end:
        if select.select([descriptor], [], [], 0.2)[0]:
            seen += os.read(descriptor, 65536)
    assert wanted in seen, seen.decode(errors="replace")
    return seen


@pytest.mark.slow
def test_a_change_is_seen_and_ctrl_c_ends_it_cleanly(demo: Path) -> None:
    edit(demo / "product.toml", 'procedure = "copy-over"', 'procedure = "copyover"')  # a round that is soon over
    process = watching(demo, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    read_until(process.stdout.fileno(), b"run: check; kept from before: 0")
    edit(demo / "product.toml", '"copyover"', '"copyover2"')
    read_until(process.stdout.fileno(), b'"copyover2"')
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0
    assert out.endswith(b"stopped watching\n")
    assert err == b""


@pytest.mark.slow
def test_on_a_terminal_the_rows_stay_in_place(demo: Path) -> None:
    edit(demo / "product.toml", 'procedure = "copy-over"', 'procedure = "copyover"')
    ours, theirs = pty.openpty()
    process = watching(demo, stdout=theirs, stderr=theirs)
    os.close(theirs)
    try:
        first = read_until(ours, b"kept from before: 0")
        assert b"watching " in first
        edit(demo / "product.toml", '"copyover"', '"copyover2"')
        second = read_until(ours, b"kept from before: 0")
        assert b"\033[" in second
        up = int(second.partition(b"\033[")[2].partition(b"A")[0])
        assert up > 5  # over the title, the five rows and what was below them in the round before
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(timeout=60)
        os.close(ours)
    assert process.returncode == 0


@pytest.mark.slow
def test_a_boot_program_built_anew_is_cut_anew_and_its_flaw_named(tmp_path: Path) -> None:
    pytest.importorskip("unicorn", reason="the extra `bench` is not installed")
    for name in ("bench-boot", "river-gauge"):
        shutil.copytree(DEMO / name, tmp_path / name, ignore=shutil.ignore_patterns("keys", "out", "__pycache__"))
    folder = tmp_path / "bench-boot"
    product, boot = folder / "product.toml", folder / "built/arm-copy-plain.elf"
    first, *runs = product.read_text().split("[[bench.run]]")
    product.write_text("[[bench.run]]".join([first, *[run for run in runs if 'name = "install"' in run]]))
    rows = {row.name: row for row in look_again(folder).rows}
    assert rows["bench"].state == "fine"
    assert "arm-copy-plain.elf under cuts, 1 start: closed" in rows["bench"].summary
    assert not ran(look_again(folder))
    edit(product, "updates_per_year = 2", "updates_per_year = 3")
    assert "bench" not in ran(look_again(folder))
    sound = boot.read_bytes()
    boot.write_bytes((folder / "built/arm-flaw-request-closed-first.elf").read_bytes())
    again = look_again(folder)
    row = next(row for row in again.rows if row.name == "bench")
    assert row.ran
    assert row.state == "finding"
    assert "move.c:" in row.lines[0]
    boot.write_bytes(sound)
    assert "bench" not in ran(look_again(folder))
