"""The explorer of all states under power cuts, the concrete oracle, hostile trials."""
