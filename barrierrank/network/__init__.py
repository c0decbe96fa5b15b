"""Lines and sites to a frozen, directed stream network."""
