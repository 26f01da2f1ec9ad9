"""Sealed image, format 1: field table, values, codec."""
