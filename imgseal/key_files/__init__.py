"""Key files: make them, and look at them without showing anything secret."""
