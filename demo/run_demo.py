"""Run the main job on the demo product, and say where to look. `make demo` calls this."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
OUT = HERE.parent / "out" / "demo"


def run(*arguments: str, allowed: tuple[int, ...] = (0,)) -> str:
    """Run one command of the tool as its user would, show it, and stop at an exit code that is not `allowed`."""
    print(f"\n$ rootwright {' '.join(arguments)}", flush=True)
    done = subprocess.run([sys.executable, "-m", "rootwright", *arguments], text=True, capture_output=True, check=False)
    print(done.stdout + done.stderr)
    if done.returncode not in allowed:
        sys.exit(f"exit code {done.returncode}, expected one of {allowed}")
    return done.stdout


def main() -> None:
    """Run every step of the main job that this version has."""
    # A release folder takes no sequence number twice, so a demonstration that is run again starts with none.
    shutil.rmtree(OUT, ignore_errors=True)
    OUT.mkdir(parents=True)
    product = str(HERE / "river-gauge" / "product.toml")
    run("check", product)
    run("plan", product, "--svg", str(OUT / "map.svg"))
    run("release", product, "--out", str(OUT / "release"))
    envelope = next((OUT / "release").glob("*.suit"), None)
    if envelope is not None:
        run("inspect", str(envelope))
    run("prove", product, "--svg", str(OUT / "failures"))
    run("assure", product, "--out", str(OUT))
    flawed = str(HERE / "river-gauge-flawed" / "product.toml")
    print("\nThe same product made wrong on purpose: this is what findings look like.")
    run("check", flawed, allowed=(1,))
    run("assure", flawed, "--out", str(OUT / "flawed"), allowed=(1,))
    if importlib.util.find_spec("unicorn") is not None:
        bench = HERE / "bench-boot" / "product.toml"
        print("\nA boot program itself under power cuts, in an emulator: a sound one, and one with a flaw.")
        run("bench", str(bench), "--cuts", "--run", "install")
        flaw = bench.parent / "built" / "arm-flaw-request-closed-first.elf"
        run("bench", str(bench), "--cuts", "--run", "install", "--boot", str(flaw), allowed=(1,))
    print(f"\nLook at {OUT / 'map.svg'} (the memory map) and {OUT / 'release'} (the signed update).")
    print(f"Then open {OUT / 'dossier.html'}: all of it on one page.")
    print(f"{OUT / 'flawed' / 'dossier.html'} is what a page with findings is like.")


if __name__ == "__main__":
    main()
