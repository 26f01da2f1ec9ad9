"""Device states: what the judge needs to know of one device."""
