"""One corner of a lap: solved again on a fine mesh, explained, and driven with habits and mistakes imposed."""
