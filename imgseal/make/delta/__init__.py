"""Patches: what of a new image can be told from an old one, said in as few bytes as can be."""
