"""The quasi-steady lap: the car's envelope, forward and backward passes on a given line, all channels of the lap."""
