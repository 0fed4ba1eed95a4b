import sys
from pathlib import Path

# The sample cars belong to the tests of the car.
sys.path.insert(0, str(Path(__file__).parents[1] / "vehicle"))
