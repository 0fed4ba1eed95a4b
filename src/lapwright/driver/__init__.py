"""Laps that somebody drove: read from logs, split, laid on the road, held against the optimum, explained and priced."""
