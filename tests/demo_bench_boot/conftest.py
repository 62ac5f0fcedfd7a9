"""The bench boot stage compiled for this computer."""

from __future__ import annotations

import ctypes
import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Callable

import pytest
from bench_boot_host import BENCH_BOOT, DEMO, VARIANTS, Device, build


@pytest.fixture(scope="session")
def device(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Device]:
    """A function that gives a device with the boot stage of one variant, compiled for this computer."""
    compiler = next((found for name in ("cc", "gcc", "clang") if (found := shutil.which(name))), None)
    command = [compiler] if compiler else [sys.executable, "-m", "ziglang", "cc"]
    if not compiler and importlib.util.find_spec("ziglang") is None:
        pytest.skip("no C compiler here; `make firmware` installs one")
    folder = tmp_path_factory.mktemp("boot")
    made: dict[str, Device] = {}

    def make(file: str) -> Device:
        if file not in made:
            variant = VARIANTS[file]
            wanted = [name for name in build.sources(variant) if not name.endswith(("bytes.c", "start_arm.c"))]
            wanted = [name for name in wanted if "/flash_" not in name]
            target = folder / (file + ".so")
            options = ["-shared", "-fPIC", "-O1", "-std=c11", "-w", "-Dmain=boot_main", "-fno-strict-aliasing"]
            options += [f"-D{name}" for name in variant["defines"]] + [f"-I{BENCH_BOOT / 'firmware'}"]
            sources = [str(DEMO / name) for name in wanted] + [str(BENCH_BOOT / "host" / "host.c")]
            done = subprocess.run(
                [*command, *options, *sources, "-o", str(target)], capture_output=True, text=True, check=False
            )
            if done.returncode:
                pytest.fail(done.stderr)
            made[file] = Device(ctypes.CDLL(str(target)))
        return made[file]

    return make
