"""Claims and evidence as one self-contained page."""
