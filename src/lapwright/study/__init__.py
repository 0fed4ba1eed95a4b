"""Setups: what each number of a car is worth, how the car balances on entry, the best setup, and sweeps over many."""
