"""Who can take a release: for every release of the log its devices, and the way from there to a package."""
