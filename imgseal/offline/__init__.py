"""Keys that are held elsewhere: signing requests and responses, and what comes back from them."""
