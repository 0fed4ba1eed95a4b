"""The road: centreline, ribbon, edges, corners and grip."""
