"""The page in a Chromium: nothing runs over the edge on screen or paper, and text can be read in light and dark.

The contrast wanted is that of WCAG 2.2, success criterion 1.4.3: 4.5 to 1, and 3 to 1 for large text.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from rootwright.dossier.evidence import Evidence
from rootwright.dossier.page import make_page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

# Looks at every element that holds text of its own; the page itself has no script, this one is added to a copy.
SCRIPT = r"""
<script>
const rgb = (text) => (text.match(/[\d.]+/g) || [0, 0, 0, 0]).map(Number);
const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
  .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
  .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
const behind = (node) => {
  for (let n = node; n; n = n.parentElement) {
    const c = rgb(getComputedStyle(n).backgroundColor);
    if (c.length === 3 || c[3] === 1) return c;
  }
  return [255, 255, 255];
};
const found = { wide: [], faint: [], paper: getComputedStyle(document.body).backgroundColor, texts: 0 };
const limit = document.documentElement.clientWidth + 1;
for (const node of document.querySelectorAll("body *")) {
  const own = [...node.childNodes].some((c) => c.nodeType === 3 && c.textContent.trim());
  if (!own || node.closest("svg") || node.closest("script")) continue;
  found.texts += 1;
  const box = node.getBoundingClientRect();
  const scroller = node.closest(".d-scroll");
  if (box.right > limit && !(SCROLLS && scroller)) found.wide.push(node.textContent.trim().slice(0, 60));
  if (node.scrollWidth > node.clientWidth + 1 && node.clientWidth && ["TD", "TH"].includes(node.tagName)) {
    found.wide.push("cell: " + node.textContent.trim().slice(0, 60));
  }
  const style = getComputedStyle(node);
  const [a, b] = [light(rgb(style.color)), light(behind(node))].sort((x, y) => y - x);
  const size = parseFloat(style.fontSize);
  const large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
  if ((a + 0.05) / (b + 0.05) < (large ? 3 : 4.5)) found.faint.push(node.textContent.trim().slice(0, 60));
}
document.documentElement.setAttribute("data-found", JSON.stringify(found));
</script>
</body>"""


@pytest.fixture(scope="session")
def chromium() -> str:
    """The browser's program; skips where there is none."""
    for name in ("chromium", "chromium-browser", "google-chrome"):
        path = shutil.which(name)
        if path:
            return path
    pytest.skip("no Chromium on this machine")


def start(chromium: str, folder: Path, *arguments: str) -> str:
    fixed = ("--headless=new", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}")
    done = subprocess.run([chromium, *fixed, *arguments], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


def look(chromium: str, folder: Path, page: str, width: int, *, dark: bool = False, scrolls: bool = True) -> Any:
    """Return what the script sees on a page of some width in pixels."""
    script = SCRIPT.replace("SCROLLS", "true" if scrolls else "false")
    (folder / "seen.html").write_text(page.replace("</body>", script), encoding="utf-8")
    scheme = f"--blink-settings=preferredColorScheme={0 if dark else 1}"
    address = (folder / "seen.html").as_uri()
    told = start(chromium, folder, f"--window-size={width},1000", scheme, "--dump-dom", address)
    found = re.search(r'data-found="([^"]*)"', told)
    assert found is not None
    seen = json.loads(unescape(found[1]))
    assert seen["texts"] > 100
    return seen


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_it_can_be_read_on_screen(chromium: str, tmp_path: Path, failing: Evidence, dark: bool) -> None:
    seen = look(chromium, tmp_path, make_page(failing), 1280, dark=dark)
    assert seen["paper"] == ("rgb(21, 24, 28)" if dark else "rgb(255, 255, 255)")
    assert seen["wide"] == []
    assert seen["faint"] == []


def test_nothing_runs_over_the_edge_of_paper(chromium: str, tmp_path: Path, failing: Evidence) -> None:
    # A4 without the page's margins: 184 mm at 96 pixels an inch. The print rules are made to hold on the screen.
    long = replace(failing.product, name="A product with a name that goes on and on " * 3, maker="x" * 120)
    page = make_page(replace(failing, product=long)).replace("@media print", "@media screen")
    seen = look(chromium, tmp_path, page, 695, scrolls=False)
    assert seen["wide"] == []
    assert seen["faint"] == []


def test_it_prints(chromium: str, tmp_path: Path, failing: Evidence) -> None:
    (tmp_path / "page.html").write_text(make_page(failing), encoding="utf-8")
    out = tmp_path / "page.pdf"
    start(chromium, tmp_path, f"--print-to-pdf={out}", "--no-pdf-header-footer", (tmp_path / "page.html").as_uri())
    content = out.read_bytes()
    assert content.startswith(b"%PDF-")
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert len(boxes) > 3
    # A4 upright, and lying for the map.
    assert {tuple(round(float(side)) for side in box) for box in boxes} == {(595, 842), (842, 595)}
