"""Habitat on each reach for each species."""
