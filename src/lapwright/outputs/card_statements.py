"""What to do in a corner, in sentences: the same for the page and for the terminal, written from the card's record alone."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from lapwright.lap.landmarks import LandmarkFix
from lapwright.outputs.words import ascii_only, fix_phrase

Record = Mapping[str, Any]
Naming = Callable[[str], str]

SLOWEST = "the slowest point"

NOTHING = "-"
"""Cell of a table for what does not apply."""

YARDSTICKS = (
    "yardsticks for the last part: 0.5 = square root, what a fixed spiral asks; "
    "1 = straight ramp, what a free line asks"
)


@dataclass(frozen=True)
class Statement:
    """``label``; what must be known (``brief``), and what a page has room for besides (``more``)."""

    label: str
    brief: str
    more: str = ""


def plain_name(text: str) -> str:
    """A name from a file in one line of printable ASCII."""
    return " ".join("".join(c if c.isprintable() else " " for c in ascii_only(text)).split())


def marked_name(text: str) -> str:
    """A name from a file for a Markdown page: ASCII punctuation that could be markup is escaped (CommonMark, 2.4)."""
    safe = re.sub(r"([\\`|*_\[\]<>&~])", r"\\\1", plain_name(text))
    return re.sub(r"^(\d*)([.)#+=-])", r"\1\\\2", safe)


def metres(value: float) -> str:
    """A length without its sign in whole metres."""
    return f"{abs(value):.0f} m"


def past(value: float, what: str = SLOWEST) -> str:
    """A distance to a place, e.g. "12 m before turn-in"; positive past it."""
    if f"{abs(value):.0f}" == "0":
        return f"at {what}"
    return f"{metres(value)} {'past' if value > 0 else 'before'} {what}"


def percent(share: float) -> str:
    """A share in percent."""
    return f"{100 * share:.0f} %"


def seconds(loss: float) -> str:
    """Seconds to the thousandth, with a sign; nought has none."""
    text = f"{loss:+.3f}"
    return "0.000" if text in ("+0.000", "-0.000") else text


def landmark(part: Record, naming: Naming) -> str:
    """Where a part of the record lies, told by its landmark; empty when none is near."""
    if part["landmark"] is None:
        return ""
    return fix_phrase(LandmarkFix(naming(part["landmark"]), part["landmark_distance_m"]))


def at_speed(part: Record, name: str) -> str:
    """Speed and gear, e.g. "139 km/h in gear 3"; without a gear for a car that has none."""
    gear = part[f"{name}_gear"]
    return f"{part[f'{name}_speed_kmh']:.0f} km/h" + (f" in gear {gear}" if gear else "")


def joined(*parts: str) -> str:
    """Those that are not empty, with commas."""
    return ", ".join(part for part in parts if part)


def entry_place(part: Record, name: str, naming: Naming) -> str:
    """A brake or lift point: from turn-in and from a landmark, by its station where there is neither."""
    before = part["before_turn_in_m"]
    turn_in = "" if before is None else past(-before, "turn-in")
    near = landmark(part, naming)
    where = joined(turn_in, near) or f"at station {part[f'{name}_m']:.0f} m"
    return f"{where}, at {at_speed(part, name)}"


def entry_words(record: Record, naming: Naming = plain_name) -> str:
    """In a few words where the corner begins for the feet, e.g. "113 m before turn-in"."""
    brake, lift, entry = record["brake"], record["lift"], record["corner"]["entry"]
    if brake and brake["shared_with"]:
        return f"with {naming(brake['shared_with'])}"
    part, name, verb = (brake, "brake_on", "") if brake else (lift, "lift", "lift ")
    if part is None:
        return "flat" if entry == "flat" else "no braking" if entry == "lift" else entry
    before = part["before_turn_in_m"]
    where = f"at {part[f'{name}_m']:.0f} m" if before is None else past(-before, "turn-in")
    return verb + where


def statements(record: Record, naming: Naming = plain_name) -> list[Statement]:
    """What to do, in driving order; what does not happen is said or left out, never a number.

    Parameters
    ----------
    record
        From ``card_record``.
    naming
        How names from the user's files are written.
    """
    said = [*_entry(record, naming)]
    said += [_turn_in(record, naming)]
    if record["brake"] is not None:
        said += [_release(record), _brake_off(record)]
    said += [_slowest(record), _clip(record), *_coast(record), *_throttle(record), *_steering(record)]
    return said


def _entry(record: Record, naming: Naming) -> list[Statement]:
    brake, entry = record["brake"], record["corner"]["entry"]
    if brake is None:
        return _without_braking(record, naming)
    where = entry_place(brake, "brake_on", naming)
    if brake["shared_with"]:
        where = f"no braking of its own, the brake is still on for {naming(brake['shared_with'])}: it went on {where}"
    elif entry == "shared":
        where = f"no braking of its own, the brake is still on from the corner before: it went on {where}"
    said = [Statement("Brake on", where, _off_throttle(record))]
    said.append(Statement("Peak", _peak(record), _presses(brake)))
    said.append(Statement("Straight-line part", _straight(record)))
    return said


def _without_braking(record: Record, naming: Naming) -> list[Statement]:
    lift, light = record["lift"], record["light_brake"]
    if record["corner"]["entry"] == "flat":
        return [Statement("Brake", "no braking: the corner is taken flat, the foot stays down")]
    if lift is None:
        none = "no braking, and no lift of its own: the throttle has not been full since the corner before"
        said = [Statement("Brake", none)]
    else:
        least = percent(lift["throttle_least"])
        depth = "all the way off the throttle" if least == "0 %" else f"down to {least} throttle, no less"
        said = [
            Statement(
                "Brake",
                "no braking: a lift is enough"
                if light is None
                else "no braking zone: a lift, and a light brake",
            ),
            Statement("Lift", entry_place(lift, "lift", naming), depth),
        ]
    if light is None:
        return said
    share = f"{percent(light['peak'])} of {_full_brake(record)} at the most"
    where = f"at station {light['touched_m']:.0f} m"
    if record["slowest"]["where"] == "inside":
        where = past(light["touched_past_slowest_m"])
    held = f"for {metres(light['length_m'])} and {light['duration_s']:.2f} s"
    return [*said, Statement("Light brake", f"{share}, {held}, begins {where}")]


def _full_brake(record: Record) -> str:
    return "the grip" if record["corner"]["model"] == "friction_circle" else "full pressure"


def _off_throttle(record: Record) -> str:
    lift = record["lift"]
    if lift is None or lift["before_brake_on_m"] is None or lift["before_brake_on_m"] < 0.5:
        return ""
    return f"the throttle leaves full {metres(lift['before_brake_on_m'])} before that"


def _peak(record: Record) -> str:
    brake = record["brake"]
    share = percent(brake["peak"])
    if brake["pressure_bar"] is None:
        level = f"{share} of the grip"
    else:
        level = f"{brake['pressure_bar']:.0f} bar, {share} of full pressure"
    return (
        f"{level}, nine tenths of it {brake['build_up_s']:.2f} s and {metres(brake['build_up_m'])} after brake-on; "
        f"up to {brake['deceleration_g']:.2f} g"
    )


def _presses(brake: Record) -> str:
    times = brake["applications"]
    return f"the brake is pressed {times} times on the way in" if times > 1 else ""


def _straight(record: Record) -> str:
    length = record["brake"]["straight_m"]
    if record["turn_in"] is None:
        return f"the brake is on for {metres(length)}; no turn-in parts it, the car is turning already"
    if f"{length:.0f}" == "0":
        return "none: the car turns in as the brake goes on, or before"
    return f"{metres(length)} of braking before the car turns"


def _turn_in(record: Record, naming: Naming) -> Statement:
    turn_in, brake = record["turn_in"], record["brake"]
    if turn_in is None:
        return Statement("Turn-in", "none to tell: the car is turning already from the corner before")
    where = joined(past(turn_in["turn_in_past_slowest_m"]), landmark(turn_in, naming))
    if record["slowest"]["where"] != "inside":
        where = landmark(turn_in, naming) or f"at station {turn_in['turn_in_m']:.0f} m"
    said = f"{where}, at {at_speed(turn_in, 'turn_in')}"
    if brake is None:
        return Statement("Turn-in", said)
    if turn_in["brake_left"] is not None:
        return Statement("Turn-in", f"{said}; {percent(turn_in['brake_left'])} of the peak brake is left")
    early = brake["before_turn_in_m"] is not None and brake["before_turn_in_m"] < 0.0
    return Statement("Turn-in", f"{said}; the brake is {'not on yet' if early else 'off already'}")


def _release(record: Record) -> Statement:
    release = record["release"]
    if release is None:
        return Statement("Release", "in one move: too quick to have a shape")
    left = [percent(release[f"left_at_{part}"]) for part in ("quarter", "half", "three_quarters")]
    brief = (
        f"{release['duration_s']:.2f} s over {metres(release['length_m'])}, begins {_release_begin(record)}"
    )
    more = f"brake left at a quarter, half and three quarters of that time: {', '.join(left)}"
    if release["shape"] is None:
        return Statement("Release", f"{brief}; too quick to have a shape", more)
    fitted = f"fitted power {release['power']:.2f}, {release['end_power']:.2f} over the last part"
    return Statement("Release", f"{brief}; {release['shape']}", f"{more}; {fitted} ({YARDSTICKS})")


def _release_begin(record: Record) -> str:
    if record["slowest"]["where"] != "inside":
        return f"at station {record['release']['release_m']:.0f} m"
    return past(record["release"]["release_past_slowest_m"])


def _brake_off(record: Record) -> Statement:
    brake = record["brake"]
    trail = ""
    if brake["trail_m"] > 0.0:
        trail = f"on while turning for {metres(brake['trail_m'])} and {brake['trail_s']:.2f} s"
    where = f"{past(brake['brake_off_past_slowest_m'])}, at {at_speed(brake, 'brake_off')}"
    return Statement("Brake off", where, trail)


def _slowest(record: Record) -> Statement:
    slowest = record["slowest"]
    side = f"{slowest['lateral_g']:.2f} g to the side"
    most = f"at most {slowest['lateral_max_g']:.2f} g in the corner"
    speed = at_speed(slowest, "slowest")
    if slowest["where"] == "start":
        return Statement("Slowest point", f"the corner's start, {speed}, {side}; faster from there on", most)
    if slowest["where"] == "end":
        return Statement("Slowest point", f"the corner's end, {speed}, {side}; slower all the way in", most)
    where = f"{metres(slowest['past_start_m'])} into the corner"
    return Statement("Slowest point", f"{speed}, {where}, {side}", most)


def _clip(record: Record) -> Statement:
    clip = record["clip"]
    gap = f"{clip['gap_m']:.1f} m from the inside edge of the road to the middle of the car"
    if record["slowest"]["where"] != "inside":
        return Statement("Clipping point", f"at station {clip['clip_m']:.0f} m, {gap}")
    return Statement("Clipping point", f"{past(clip['clip_past_slowest_m'])}, {gap}")


def _coast(record: Record) -> list[Statement]:
    coast, brake = record["coast"], record["brake"]
    if coast is not None:
        return [Statement("Coast", f"{metres(coast['length_m'])}, {coast['time_s']:.2f} s on neither pedal")]
    if brake is not None and record["throttle"]["pick_up_m"] is not None:
        return [Statement("Coast", "none: the foot goes straight from the brake to the throttle")]
    return []


def _throttle(record: Record) -> list[Statement]:
    throttle, entry = record["throttle"], record["corner"]["entry"]
    if entry == "flat":
        return [Statement("Throttle", "full all the way through")]
    said = []
    for name, label in (("pick_up", "Throttle pick-up"), ("full", "Full throttle")):
        if throttle[f"{name}_m"] is None:
            said.append(Statement(label, "not before the next corner asks for a lift or the brake"))
            continue
        where = f"{past(throttle[f'{name}_past_slowest_m'])}, at {at_speed(throttle, name)}"
        said.append(Statement(label, where))
    return said


def _steering(record: Record) -> list[Statement]:
    steering = record["steering"]
    if steering is None:
        return []
    unwound = "not unwound before the corner's end"
    if steering["unwound_m"] is not None:
        unwound = f"unwinds {_wheel_place(record, 'unwound')}"
    peak = f"{steering['peak_deg']:.0f} deg at the most, {_wheel_place(record, 'peak')}"
    return [
        Statement(
            "Steering",
            f"{peak}; {unwound}",
            f"turned in quickest {_wheel_place(record, 'rate')}, at {steering['rate_dps']:.0f} deg/s",
        )
    ]


def _wheel_place(record: Record, name: str) -> str:
    steering = record["steering"]
    if record["slowest"]["where"] != "inside":
        return f"at station {steering[f'{name}_m']:.0f} m"
    return past(steering[f"{name}_past_slowest_m"])
