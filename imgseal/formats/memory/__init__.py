"""Addresses and bytes: memory images and where they are stored."""
