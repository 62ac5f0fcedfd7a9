"""The key files that sign releases."""
