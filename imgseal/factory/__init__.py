"""What a device leaves the factory with, merged into one image."""
