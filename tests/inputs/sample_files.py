"""Small valid files (all numbers invented) that the tests then spoil."""

VEHICLE = """\
name: Sample car
chassis:
  mass_kg: 1300
  yaw_inertia_kgm2: 1800
  wheelbase_m: 2.5
  front_mass_share: 0.45
  cg_height_m: 0.45
  track_front_m: 1.5
  track_rear_m: 1.5
  roll_stiffness_front_share: 0.55
  roll_centre_front_m: 0.05
  roll_centre_rear_m: 0.08
  load_transfer_time_s: 0.1
  width_m: 1.8
aero: {drag_area_m2: 0.9, downforce_area_m2: 1.2, downforce_front_share: 0.4, air_density_kgm3: 1.2}
tyres:
  front: {peak_mu_long: 1.5, peak_mu_lat: 1.4, reference_load_N: 3200, load_sensitivity_per_kN: 0.05,
          peak_slip_angle_deg: 6, peak_slip_ratio: 0.09, sliding_grip_ratio: 0.8}
  rear: {peak_mu_long: 1.5, peak_mu_lat: 1.4, reference_load_N: 3200, load_sensitivity_per_kN: 0.05,
         peak_slip_angle_deg: 6, peak_slip_ratio: 0.09, sliding_grip_ratio: 0.8, grip_scale: 0.9}
brakes: {front_share: 0.62, peak_pressure_bar: 80, force_per_bar_N: 300}
driveline:
  driven: rear
  engine_rpm: [2000, 4000, 6000, 7000]
  engine_torque_Nm: [300, 400, 420, 380]
  gear_ratios: [3.2, 2.1, 1.5, 1.1]
  final_drive: 3.7
  shift_rpm: 6800
  efficiency: 0.92
  wheel_radius_m: 0.33
  wheel_inertia_kgm2: 1.2
  overrun_torque_Nm: 50
  differential: {type: preload, preload_Nm: 60, ramp_drive: 0.3, ramp_overrun: 0.4}
steering: {ratio: 14, max_wheel_deg: 450}
driver:
  max_wheel_rate_dps: 500
  brake_rise_s: 0.2
  brake_release_s: 0.3
  throttle_rise_s: 0.4
  throttle_release_s: 0.15
"""

CIRCLE = """\
name: Sample circle
model: friction_circle
grip_g: 1.2
power_kW: 150
"""

TRACK = """\
name: Sample ring
closed: true
centreline:
  elements:
    - straight_m: 100
    - {radius_m: 30, angle_deg: 180, turn: left, ramp_m: 10}
    - straight_m: 100
    - {radius_m: 30, angle_deg: 180, turn: left, ramp_in_m: 10, ramp_out_m: 10}
width_m: 11
elevation_m: [{at_m: 0, value: 12}, {at_m: 150, value: 14}]
bank_deg: [{at_m: 0, value: 0}, {at_m: 150, value: 3}]
grip: [{from_m: 30, to_m: 60, scale: 0.9, band_right_m: -3, band_left_m: 1}]
corners:
  - {name: First, from_m: 90, to_m: 210}
  - {name: Second, from_m: 300, to_m: 400}
landmarks: [{name: board, at_m: 50}]
"""


def place_of(text: str, piece: str, nth: int = 0) -> tuple[int, int]:
    """Line and column, from 1, of the nth occurrence of a piece of text."""
    index = -1
    for _ in range(nth + 1):
        index = text.index(piece, index + 1)
    return text.count("\n", 0, index) + 1, index - (text.rfind("\n", 0, index) + 1) + 1
