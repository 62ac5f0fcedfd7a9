"""Armv8-M regions and attribution, as DDI 0553 encodes them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rootwright.errors import PlanError
from rootwright.plan.lockdown import pmsav8, sau
from rootwright.plan.lockdown.rights import Rights, Store
from rootwright.plan.lockdown.spans import Span

READ = Rights("r", "r", execute=True)


# DDI 0553, MPU_RBAR and MPU_RLAR: base and limit in bits 31 to 5, AP in bits 2 to 1 (0b11: read only by all), XN bit 0.
@pytest.mark.parametrize(
    ("start", "end", "rbar", "rlar"),
    [
        (0x08000000, 0x08010000, 0x08000006, 0x0800FFE1),
        (0x20000000, 0x20008000, 0x20000006, 0x20007FE1),
        (0x08010000, 0x08010020, 0x08010006, 0x08010001),
    ],
)
def test_regions(start: int, end: int, rbar: int, rlar: int) -> None:
    assert pmsav8.rbar(Span(start, end), READ) == rbar
    assert pmsav8.rlar(Span(start, end), Store.FLASH) == rlar


@pytest.mark.parametrize(("pair", "ap"), [(("rw", ""), 0), (("rw", "rw"), 1), (("r", ""), 2), (("r", "r"), 3)])
def test_access_permissions(pair: tuple[str, str], ap: int) -> None:
    value = pmsav8.rbar(Span(0, 64), Rights(*pair))
    assert value == ap << 1 | 1


@pytest.mark.parametrize("span", [Span(0, 33), Span(16, 64), Span(64, 64)])
def test_odd_spans_are_refused(span: Span) -> None:
    with pytest.raises(PlanError, match="whole granules of 32"):
        pmsav8.rbar(span, READ)
    with pytest.raises(PlanError, match="whole granules of 32"):
        sau.rlar(span)


def test_rights_without_encoding_are_refused() -> None:
    with pytest.raises(PlanError, match="Armv8-M has no access permission"):
        pmsav8.rbar(Span(0, 32), Rights("rw", "r"))


def test_attribution() -> None:
    # DDI 0553, SAU_RLAR: limit in bits 31 to 5, NSC bit 1, ENABLE bit 0.
    assert sau.rbar(Span(0x28000000, 0x28004000)) == 0x28000000
    assert sau.rlar(Span(0x28000000, 0x28004000)) == 0x28003FE1
    assert sau.rlar(Span(0x10000000, 0x10000040), callable_gate=True) == 0x10000023


@pytest.mark.vectors
def test_published_regions(published_vectors: Path) -> None:
    rows = json.loads((published_vectors / "memory_protection" / "encodings.json").read_text())["armv8m_examples"]
    for row in rows:
        span = Span(int(row["base"], 16), int(row["last_byte"], 16) + 1)
        assert pmsav8.rbar(span, READ) == int(row["RBAR_with_AP_RO_any_XN0_SH0"], 16)
        assert pmsav8.rlar(span, Store.FLASH) == int(row["RLAR_attr0_enabled"], 16)
