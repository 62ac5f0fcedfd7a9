"""Regions, maps, demands and constraints: the words that plan, device and export share."""
