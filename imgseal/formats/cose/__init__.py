"""COSE structures and numbers; no keys here."""
