"""Build, seal, pack and check: the main road from firmware to a judged package."""
