"""The release log: an append-only Merkle tree of what was released, in the manner of RFC 9162; bytes and values."""
