"""The recipe of a reference lap: first guess, meshes, solve, check, and the lap with its report."""
