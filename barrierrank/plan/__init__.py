"""The best use of a budget: which action at which site, with proof of how good it is."""
