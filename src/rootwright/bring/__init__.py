"""What engineers have already, brought in: part descriptions, linked firmware, image formats of their own."""
