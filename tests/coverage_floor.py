"""Fail where a core package's branch coverage is below the floor. `make coverage` calls this after its tests."""

from __future__ import annotations

import json
import sys
from pathlib import Path

FLOOR = 90.0
PACKAGES = ("cose", "suit", "plan", "device", "prove")


def main(report: Path) -> int:
    """Print lines and branches covered per package; return 1 where one is below the floor."""
    files = json.loads(report.read_text(encoding="utf-8"))["files"]
    low = False
    for package in PACKAGES:
        hit = total = 0
        for name, entry in files.items():
            if f"rootwright/{package}/" in name.replace("\\", "/"):
                summary = entry["summary"]
                hit += summary["covered_lines"] + summary["covered_branches"]
                total += summary["num_statements"] + summary["num_branches"]
        share = 100 * hit / total if total else 0.0
        low |= share < FLOOR
        print(f"{package:8} {share:5.1f} % of {total} lines and branches{'  BELOW THE FLOOR' if share < FLOOR else ''}")
    return int(low)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
