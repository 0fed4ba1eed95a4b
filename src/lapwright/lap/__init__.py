"""A lap and what is read from it."""
