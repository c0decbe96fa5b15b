"""Shared by tests: random networks, and the plain definitions the fast paths are held against."""
