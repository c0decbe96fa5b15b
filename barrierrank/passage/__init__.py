"""Passability from structure, flow and fish: hydraulics, run timing, swimming and leaping, trials, design checks."""
