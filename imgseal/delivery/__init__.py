"""Deliveries: what travels to devices of which it is known what they run."""
