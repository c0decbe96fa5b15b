"""Files to checked tables: the only stage beside outputs that touches files."""
