"""Rootwright: plan, build, check and document a microcontroller product's root of trust and its updates."""

__version__ = "0.1.0"
