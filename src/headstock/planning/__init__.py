"""Cut levels, placements and what they lead to. Limits come in as values; nothing is ranked."""
