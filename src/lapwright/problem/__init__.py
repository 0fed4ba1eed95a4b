"""What is asked: states, controls, limits, objective and ends; no discretisation."""
