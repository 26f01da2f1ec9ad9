"""Verdicts for people and for scripts."""
