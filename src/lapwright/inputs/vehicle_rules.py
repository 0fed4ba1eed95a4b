"""What must fit together between the keys of a vehicle file."""

from __future__ import annotations

from typing import Any

from lapwright.inputs.kinds import MISSING, Path, Report, label
from lapwright.inputs.numbers import show
from lapwright.inputs.tree import Mapping, Sequence, at_path
from lapwright.quantities import RPM, G
from lapwright.vehicle.parameters import Aero, Brakes, Chassis, Driveline, Tyres

ENGINE_TABLE = {
    "engine_rpm": "engine_speed",
    "engine_torque_Nm": "engine_torque",
    "gear_ratios": "gear_ratios",
    "final_drive": "final_drive",
    "shift_rpm": "shift_speed",
}


def ascending(values: list[float], node: Sequence, path: Path, report: Report) -> None:
    """Fault at each number that is not above the one before."""
    _monotone(values, node, path, report, 1, "ascending")


def descending(values: list[float], node: Sequence, path: Path, report: Report) -> None:
    """Fault at each number that is not below the one before."""
    _monotone(values, node, path, report, -1, "descending")


def _monotone(values: list[float], node: Sequence, path: Path, report: Report, sign: int, word: str) -> None:
    for i in range(1, len(values)):
        if _good(values[i], values[i - 1]) and sign * (values[i] - values[i - 1]) <= 0:
            text = getattr(node.items[i], "text", "")
            before = getattr(node.items[i - 1], "text", "")
            message = f"{label(path)} must be {word}, but {text} follows {before}"
            report.fault(node.items[i], (*path, i), message)


def _good(*values: Any) -> bool:
    return all(value is not MISSING and value is not None for value in values)


def check_chassis(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """Yaw inertia against mass and wheelbase, roll centres against centre of gravity, width against track."""
    mass, inertia, wheelbase = values["mass"], values["yaw_inertia"], values["wheelbase"]
    share = values["front_mass_share"]
    if _good(mass, inertia, wheelbase, share):
        # Two point masses at the axles give m a b; real cars lie within some tens of percent of it.
        reference = mass * wheelbase**2 * share * (1 - share)
        place, key = at_path(node, ("yaw_inertia_kgm2",)), (*path, "yaw_inertia_kgm2")
        message = f"yaw_inertia_kgm2 is {show(inertia)}; about {show(reference)} is common for such a car"
        if not reference / 50 <= inertia <= reference * 20:
            report.fault(place, key, message + ". This one is impossible: check the unit")
        elif not reference / 3 <= inertia <= reference * 3:
            report.notice(place, key, message)
    for end in ("front", "rear"):
        height, centre = values["cg_height"], values[f"roll_centre_{end}"]
        if _good(height, centre) and centre > height > 0:
            name = f"roll_centre_{end}_m"
            message = f"{name} is {show(centre)}, above the centre of gravity ({show(height)} m)"
            report.notice(at_path(node, (name,)), (*path, name), message)
    width, tracks = values["width"], [values["track_front"], values["track_rear"]]
    if _good(width, *tracks) and width < max(tracks):
        message = (
            f"width_m is {show(width)}, less than the track between wheel centres ({show(max(tracks))} m)"
        )
        report.notice(at_path(node, ("width_m",)), (*path, "width_m"), message)


def check_differential(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """What each type needs; a notice for what counts for another type only."""
    kind = values["type"]
    if not _good(kind):
        return
    needs = {"viscous": {"viscosity_Nms_per_rad"}, "preload": {"preload_Nm"}}.get(kind, set())
    counts = needs | ({"ramp_drive", "ramp_overrun"} if kind == "preload" else set())
    for name in sorted(needs - set(node.values)):
        report.fault(at_path(node, ("type",)), (*path, name), f"a {kind} differential needs {name}")
    for name, place in node.keys.items():
        if name in {"viscosity_Nms_per_rad", "preload_Nm", "ramp_drive", "ramp_overrun"} - counts:
            report.notice(place, (*path, name), f"{name} does not count for type: {kind}")


def check_driveline(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """Exactly one kind of engine, equal lists, shift inside the table, torque share for all-wheel drive."""
    _check_engine_kind(values, node, path, report)
    speeds, torques, shift = values["engine_speed"], values["engine_torque"], values["shift_speed"]
    if _good(speeds, torques) and len(speeds) != len(torques):
        message = (
            f"engine_torque_Nm has {len(torques)} values, engine_rpm has {len(speeds)}: they go in pairs"
        )
        report.fault(at_path(node, ("engine_torque_Nm",)), (*path, "engine_torque_Nm"), message)
    if _good(torques) and max(torques) <= 0:
        place = at_path(node, ("engine_torque_Nm",))
        report.fault(
            place, (*path, "engine_torque_Nm"), "engine_torque_Nm is zero everywhere: the car cannot drive"
        )
    if _good(speeds, shift) and not speeds[0] < shift <= speeds[-1] * (1 + 1e-12):
        message = (
            f"shift_rpm is {show(shift / RPM)}, outside the torque table, which runs from "
            f"{show(speeds[0] / RPM)} to {show(speeds[-1] / RPM)} rpm"
        )
        report.fault(at_path(node, ("shift_rpm",)), (*path, "shift_rpm"), message)
    if values["driven"] == "all" and "front_torque_share" not in node.values:
        message = (
            "driven: all needs front_torque_share, the share of the drive torque on the front axle (0 to 1)"
        )
        report.fault(at_path(node, ("driven",)), (*path, "front_torque_share"), message)
    if values["driven"] in ("front", "rear") and "front_torque_share" in node.keys:
        message = f"front_torque_share does not count for driven: {values['driven']}"
        report.notice(node.keys["front_torque_share"], (*path, "front_torque_share"), message)


def _check_engine_kind(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    table = [name for name in ENGINE_TABLE if name in node.values]
    if "power_kW" in node.values:
        for name in table:
            message = f"{name} stands beside power_kW: give power_kW, or a torque table with gears, not both"
            report.fault(node.keys[name], (*path, name), message)
        return
    place = at_path(node, ())
    if not table:
        message = "no engine: give power_kW, or " + ", ".join(ENGINE_TABLE)
        report.fault(place, (*path, "power_kW"), message)
        return
    for name in ENGINE_TABLE:
        if name not in node.values:
            report.fault(
                place, (*path, name), f"{name} is missing: an engine table needs {', '.join(ENGINE_TABLE)}"
            )


def check_vehicle(values: dict[str, Any], node: Mapping, path: Path, report: Report) -> None:
    """Tyres that keep some grip at the greatest load, and brakes that can be used."""
    chassis, aero, tyres = values["chassis"], values["aero"], values["tyres"]
    if _good(chassis, aero, tyres, values["driveline"]):
        _check_tyre_loads(chassis, aero, tyres, top_speed(aero, values["driveline"]), node, report)
    if _good(chassis, values["brakes"]):
        _check_brakes(chassis, values["brakes"], node, report)


def _check_tyre_loads(
    chassis: Chassis, aero: Aero, tyres: Tyres, speed: float, node: Mapping, report: Report
) -> None:
    downforce = 0.5 * aero.air_density * aero.downforce_area * speed**2
    for end, mass_share, aero_share in (
        ("front", chassis.front_mass_share, aero.downforce_front_share),
        ("rear", 1 - chassis.front_mass_share, 1 - aero.downforce_front_share),
    ):
        # The most that one wheel can carry in a corner: all that is on its axle.
        load = chassis.mass * G * mass_share + max(0.0, downforce * aero_share)
        tyre = tyres.front if end == "front" else tyres.rear
        fall = tyre.load_sensitivity * (load - tyre.reference_load)
        for name, mu in (("peak_mu_long", tyre.peak_mu_long), ("peak_mu_lat", tyre.peak_mu_lat)):
            if mu - fall > 0.05:
                continue
            place = at_path(node, ("tyres", end, "load_sensitivity_per_kN"))
            message = (
                f"load_sensitivity_per_kN is {show(tyre.load_sensitivity * 1e3)}: with all that the {end} "
                f"axle carries at {show(speed)} m/s on one wheel ({show(load / 1e3)} kN) the friction "
                f"coefficient falls from {name} {show(mu)} to {show(mu - fall)}; it must stay above 0.05"
            )
            report.fault(place, ("tyres", end, "load_sensitivity_per_kN"), message)
            break


def _check_brakes(chassis: Chassis, brakes: Brakes, node: Mapping, report: Report) -> None:
    share_of_weight = brakes.peak_force / (chassis.mass * G)
    place, key = at_path(node, ("brakes", "force_per_bar_N")), ("brakes", "force_per_bar_N")
    message = (
        f"peak_pressure_bar times force_per_bar_N is {show(brakes.peak_force)} N, "
        f"{show(share_of_weight)} times the weight"
    )
    if not 0.05 <= share_of_weight <= 50:
        report.fault(
            place, key, message + "; between 0.05 and 50 is possible, 1 to 4 common: check the units"
        )
    elif not 0.5 <= share_of_weight <= 8:
        report.notice(place, key, message + "; 1 to 4 is common")


def peak_power(driveline: Driveline) -> tuple[float, float | None]:
    """Greatest power of the engine [W] up to the shift, and the engine speed [rad/s] at which it gives it.

    The speed is None for an engine that is a plain power.
    """
    import numpy as np

    if driveline.power is not None:
        return driveline.power, None
    # Torque is straight between the entries of the table, so power between them is a parabola: look finely.
    spin = np.linspace(driveline.engine_speed[0], driveline.shift_speed, 2001)
    power = spin * np.interp(spin, driveline.engine_speed, driveline.engine_torque)
    best = int(np.argmax(power))
    return float(power[best]), float(spin[best])


def top_speed(aero: Aero, driveline: Driveline) -> float:
    """Top speed on the level [m/s]: where drag takes all the pull or the gears end; at most ``SPEED_MAX``."""
    import numpy as np

    from lapwright.vehicle.driveline import SPEED_MAX, wheel_forces
    from lapwright.vehicle.loads import drag

    speed = np.linspace(1.0, SPEED_MAX, 2581)
    surplus = wheel_forces(driveline, speed)[0] - drag(aero, speed)
    able = np.flatnonzero(surplus > 0)
    if not able.size:
        return 0.0
    last = able[-1]
    if last == len(speed) - 1:
        return SPEED_MAX
    share = surplus[last] / (surplus[last] - surplus[last + 1])
    return float(speed[last] + share * (speed[last + 1] - speed[last]))
