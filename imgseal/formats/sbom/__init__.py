"""Bills of materials: recognised, and named by digest inside signed packages."""
