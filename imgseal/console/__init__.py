"""What the commands share and the Python API has no use for: options."""
