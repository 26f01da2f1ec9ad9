"""Signing requests and responses: what goes to the room where the keys are, and what comes back."""
