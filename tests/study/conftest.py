import sys
from pathlib import Path

# The sample cars, the laps made by hand and the lap of the coupe belong to the tests of other rooms.
sys.path[:0] = [str(Path(__file__).parents[1] / room) for room in ("vehicle", "lap", "corner")]
