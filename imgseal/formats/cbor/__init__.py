"""CBOR, strictly: one encoding for one meaning."""
