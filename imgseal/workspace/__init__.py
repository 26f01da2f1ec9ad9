"""What commands and the Python API share: project, keys at hand, firmware, the release log, files; no click."""
