"""The lock-down of a product's part: protections, exact settings, order of locking, readback."""
