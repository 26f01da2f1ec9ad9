"""The SUIT manifest: numbers, values, codec; nothing is executed here."""
