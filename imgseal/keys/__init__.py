"""Keys, signatures, trust anchors: the only user of the crypto library."""
