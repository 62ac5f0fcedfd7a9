"""What the user writes: part, product, units, and the messages for every slip."""
