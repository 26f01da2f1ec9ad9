"""C99 sources for the device, and what is made for them from the product file."""
