"""Stages that invent the demo basin: terrain, streams, braids, substrate, sites, actions, flows."""
