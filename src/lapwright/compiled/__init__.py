"""Runs a CasADi function over many points at once. Knows nothing of cars."""
