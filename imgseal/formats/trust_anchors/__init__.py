"""Trust anchor sets: which keys a device trusts, as bytes in its flash and on their way to it."""
