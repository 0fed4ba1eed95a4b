"""The report of a comparison: one HTML file that opens without a network."""
