"""The car driven forward in time: recorded laps again, modelled drivers, and what happens past the limit."""
