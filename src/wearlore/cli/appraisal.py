"""Whether to buy, and for how much."""
