"""The update procedures, keyed by properties; each exports what it asks of the map and how it steps."""

from rootwright.device.procedures.demands import TRAITS, demand, demands

__all__ = ["TRAITS", "demand", "demands"]
