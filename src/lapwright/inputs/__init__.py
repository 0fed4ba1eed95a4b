"""YAML and CSV files, checked with a place for every fault and converted once to SI."""
