"""An invented circuit and car: the reference lap, and one brake point. Run it in the repository's folder."""

import lapwright as lw
from lapwright.lap.corners import corner_reports

track, car = lw.load_track("tracks/cinder-yard.yaml"), lw.load_vehicle("vehicles/touring-saloon.yaml")
target, baseline = lw.solve_lap(track, car), lw.solve_baseline(track, car)
print(f"{track.name}: {target.time:.3f} s, quasi-steady on the centreline {baseline.time:.3f} s")
bend = next(corner for corner in corner_reports(target.lap, track) if corner.name == "T3")
print(f"{bend.name}: brake {bend.brake_on_before_start:.0f} m before, {3.6 * bend.brake_on_speed:.0f} km/h")
