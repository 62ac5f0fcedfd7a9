"""Whether a device did what it must: the expected answer, and what no answer may bring with it."""

from __future__ import annotations

from rootwright.device.consumer import Consumer, DeviceState, Report, Verdict
from rootwright.layout.map import Region
from rootwright.prove.trials.model import Attempt, Expectation, NothingToDo, Refusal
from rootwright.prove.trials.subject import Subject
from rootwright.release.shape import erased_byte
from rootwright.suit.decode import decode_envelope
from rootwright.suit.words import word


def run_attempt(
    subject: Subject, attempt: Attempt, expect: Expectation, consumer: Consumer
) -> tuple[str, tuple[Report, ...]]:
    """Return what the device did wrong, empty where nothing, and its reports."""
    before = attempt.device
    offered = bytes(attempt.envelope)
    offer = consumer.consume(attempt.envelope, before, attempt.fetch)
    reports: tuple[Report, ...] = (offer,)
    fault = _moved_without_start(subject, before, offer.device)
    if fault:
        return fault, reports
    if isinstance(expect, Refusal) and expect.step == "offer":
        return _judge_refusal(before, offer, expect), reports
    if isinstance(expect, NothingToDo):
        if offer.verdict is not Verdict.NOTHING_TO_DO:
            return f"the offer was {offer.verdict.value}", reports
        return ("" if offer.device == before else "the device was changed"), reports
    if offer.verdict is not Verdict.ACCEPTED:
        return f"the offer was {describe(offer)}", reports
    waiting = offer.device if attempt.between is None else attempt.between(offer.device)
    begun = consumer.start(waiting)
    reports = (offer, begun)
    if isinstance(expect, Refusal):
        return _judge_start(subject, waiting, begun, expect), reports
    if begun.verdict is not Verdict.ACCEPTED:
        return f"the start was {describe(begun)}", reports
    return _judge_installed(subject, before, begun, offered), reports


def describe(report: Report) -> str:
    """Return a report in one phrase."""
    detail = f" ({report.detail})" if report.detail else ""
    return f"{report.verdict.value} at the {report.step}: {word(report.reason)}{detail}"


def _judge_refusal(before: DeviceState, report: Report, expect: Refusal) -> str:
    if not report.is_refused:
        return f"the offer was {report.verdict.value}"
    if report.device.pending != before.pending:
        return "what waits for the boot stage was changed by a refused offer"
    if expect.before_fetch and (report.fetched or report.written):
        return f"it fetched {len(report.fetched)} payloads and wrote {len(report.written)} regions before it refused"
    if not report.written and report.device != before:
        return "it wrote without saying so"
    return _judge_reason(report, expect)


def _judge_reason(report: Report, expect: Refusal) -> str:
    for reason, detail in expect.any_of:
        if report.reason == reason and detail in ("", report.detail):
            return ""
    return f"it was {describe(report)}: {report.text}"


def _judge_start(subject: Subject, waiting: DeviceState, report: Report, expect: Refusal) -> str:
    if not report.is_refused:
        return f"the start was {report.verdict.value}"
    if report.device.pending is not None:
        return "a refused update still waits for the boot stage"
    if report.started:
        return f"code was started: {', '.join(report.started)}"
    fault = _moved_without_start(subject, waiting, report.device)
    if not fault and report.device.flash != waiting.flash:
        fault = "a refused start wrote to memory"
    return fault or _judge_reason(report, expect)


def _moved_without_start(subject: Subject, before: DeviceState, after: DeviceState) -> str:
    """Return what changed that only a start may change."""
    records = ("floor", "installed", "running", "before")
    for name in records:
        if getattr(before, name) != getattr(after, name):
            return f"{name} was changed without a start"
    if before.flash == after.flash:
        return ""
    receiving = {place.receives_in(before.running).block for place in subject.places}
    return _changed_outside(subject, before, after, receiving)


def _changed_outside(subject: Subject, before: DeviceState, after: DeviceState, allowed: set[str]) -> str:
    """Return the first byte range that changed and lies in no allowed region."""
    for memory in before.settings.memories:
        old, new = before.flash[memory.name], after.flash[memory.name]
        if old == new:
            continue
        regions = [r for r in subject.memory_map.regions if r.memory == memory.name and r.block in allowed]
        at = memory.base
        for region in sorted(regions, key=lambda one: one.address):
            span = slice(at - memory.base, region.address - memory.base)
            if old[span] != new[span]:
                return f"memory {memory.name} was changed below region {region.block}, where nothing is received"
            at = region.end
        if old[at - memory.base :] != new[at - memory.base :]:
            return f"memory {memory.name} was changed from 0x{at:08x} on, where nothing is received"
    return ""


def _judge_installed(subject: Subject, before: DeviceState, report: Report, offered: bytes) -> str:
    """Return what is wrong with a device that says it installed the genuine release."""
    after = report.device
    if after.installed.sequence != subject.release.sequence:
        return f"sequence number {after.installed.sequence} is installed"
    if after.installed.digest != decode_envelope(offered).digest.value:
        return "another manifest is installed"
    for place, payload in zip(subject.places, subject.received(before.running), strict=True):
        region = place.runs_in(after.running)
        if after.read(region) != _whole(after, region, payload.content):
            return f"region {region.block} does not hold the genuine image and nothing else"
    code = {r.block for place in subject.places for r in (*place.slots, place.staging) if r is not None}
    return _changed_outside(subject, before, after, code)


def _whole(device: DeviceState, region: Region, content: bytes) -> bytes:
    fill = bytes([erased_byte(device.settings.memory(region.memory))])
    return fill * region.header + content + fill * (region.size - region.header - len(content))
