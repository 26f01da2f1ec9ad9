"""A look at one patch: how large, what made it so, and what would make it smaller."""
