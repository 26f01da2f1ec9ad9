"""Device states for `check --device`: made, and led through an installation."""
