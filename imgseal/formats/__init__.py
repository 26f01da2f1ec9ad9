"""Formats: bytes to values and back. Nothing here knows a product file, a key or a file on disk."""
