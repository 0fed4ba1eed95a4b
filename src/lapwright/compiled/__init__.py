"""Runs CasADi functions over many points at once, and along the steps of a lap. Knows nothing of cars."""

from lapwright.compiled.ways import backend

__all__ = ["backend"]
