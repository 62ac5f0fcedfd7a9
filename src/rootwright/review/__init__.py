"""What an attacker would have to spend: attack steps, the cheapest ways to each asset, and design rules."""
