"""Patches: a new image told from an old one, or from nothing; docs/format/delta.md."""
