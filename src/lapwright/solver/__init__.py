"""A solver behind one call; how a solve ended as a value; multipliers and sensitivities."""
