"""A problem on a mesh: point functions, collocation, layout, derivatives, mesh error."""
