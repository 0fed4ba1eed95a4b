"""The figures: one file each, a function that draws and returns it, and one way to save."""
