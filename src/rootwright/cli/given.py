"""What `rootwright plan --check` prints: a given map, region by region, and each rule that it breaks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rootwright.cli.columns import aligned, wrapped

if TYPE_CHECKING:
    from rootwright.describe.product import Product
    from rootwright.plan.existing import Judgement


def report(judged: Judgement, product: Product) -> list[str]:
    """Return the lines of the printed judgement, at most 120 columns wide."""
    from rootwright.cli.plan import finding_lines, size_text

    lines = [f"{product.name} {product.model} on {judged.map.chip}, the map as given, for {judged.map.procedure}", ""]
    rows = [("memory", "block", "from", "to", "size", "sectors", "place")]
    for region in judged.map.regions:
        place = (f"0x{region.address:08X}", f"0x{region.end - 1:08X}", size_text(region.size), str(region.sectors))
        rows.append((region.memory, region.block, *place, "pinned" if region.block in judged.pinned else "found"))
    lines += [*aligned(rows, "<<>>>><"), ""]
    for violation in judged.violations:
        where = f" at 0x{violation.address:08X}" if violation.address or violation.block in judged.pinned else ""
        lines += wrapped(f"violation: {violation.rule}{where}: {violation.found}", "")
        lines += wrapped(f"mend: {violation.mend}", "    ")
    count = len(judged.violations)
    if judged.findings:
        lines += finding_lines(judged.findings)
    words = f"{count} violation{'' if count == 1 else 's'} of the map's rules" if count else "the map keeps every rule"
    return [*lines, words]
