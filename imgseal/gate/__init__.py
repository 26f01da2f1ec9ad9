"""The gate: everything that a build has put out is sealed by the right keys, or the build fails."""
