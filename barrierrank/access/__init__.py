"""Access, accessible habitat, effects of actions, connectivity indices."""
