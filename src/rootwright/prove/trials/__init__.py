"""Hostile-update trials: a product's own release, altered as RFC 9124 warns, offered to the reference device.

Files by role: `threats` (the standard's list), `model` (what a trial is), `subject` (the product under trial, and the
forger's tools), one file per family of trials, `judge` (what a device must not do), `run` (all of them).
"""

from rootwright.prove.trials.model import Status, ThreatResult, TrialReport, TrialResult
from rootwright.prove.trials.run import TRIALS, run_trials
from rootwright.prove.trials.subject import Subject, make_subject
from rootwright.prove.trials.threats import THREATS, Threat

__all__ = [
    "THREATS",
    "TRIALS",
    "Status",
    "Subject",
    "Threat",
    "ThreatResult",
    "TrialReport",
    "TrialResult",
    "make_subject",
    "run_trials",
]
