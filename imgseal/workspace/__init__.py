"""What commands and the Python API share: project, keys at hand, firmware files, the release log, files on disk. No click."""
