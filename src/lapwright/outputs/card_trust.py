"""How sure a corner card is, what it becomes for other feet and hands, and how it was computed: parts of its page."""

from __future__ import annotations

from lapwright.outputs.card_statements import NOTHING, Record, marked_name, metres, past, seconds
from lapwright.outputs.markdown import paragraph, table


def how_sure(record: Record) -> list[str]:
    """The brake point and the slowest speed for other grip and for a margin."""
    if not record["grip"]:
        return ["Not worked out for this corner."]
    rows = [
        (
            v["words"],
            _entry_moved(record, v),
            *_slowest_cells(v),
            NOTHING if v["loss_s"] is None else seconds(v["loss_s"]),
        )
        for v in record["grip"]
    ]
    head = ("with", "brake or lift", "slowest km/h", "change", "seconds")
    return [table(head, rows, (0, 1)), *_variant_notes(record["grip"])]


def human_section(record: Record) -> list[str]:
    """The corner for a slower foot, slower hands and a learner."""
    if record["corner"]["model"] == "friction_circle":
        return ["This car has neither pedals nor a wheel: feet and hands do not limit it."]
    if not record["human"]:
        return ["Not worked out for this corner."]
    rows = [
        (
            v["words"],
            _entry_moved(record, v),
            NOTHING if v["pressure_bar"] is None else f"{v['pressure_bar']:.0f}",
            NOTHING if v["build_up_s"] is None else f"{v['build_up_s']:.2f}",
            NOTHING if v["release_s"] is None else f"{v['release_s']:.2f}",
            *_slowest_cells(v),
            NOTHING if v["loss_s"] is None else seconds(v["loss_s"]),
        )
        for v in record["human"]
    ]
    head = (
        "driver",
        "brake or lift",
        "peak bar",
        "build-up s",
        "release s",
        "slowest km/h",
        "change",
        "seconds",
    )
    return [table(head, rows, (0, 1)), *_variant_notes(record["human"])]


def _slowest_cells(variant: Record) -> tuple[str, str]:
    if variant["slowest_speed_kmh"] is None:
        return NOTHING, NOTHING
    change = f"{variant['slowest_change_kmh']:+.1f}"
    return f"{variant['slowest_speed_kmh']:.0f}", "0.0" if change in ("+0.0", "-0.0") else change


def _entry_moved(record: Record, variant: Record) -> str:
    """What becomes of the brake or lift point, e.g. "brake 4 m earlier"."""
    if variant["entry"] is None:
        return "no answer found"
    if variant["brake_on_moved_m"] is not None:
        return f"brake {_shift(variant['brake_on_moved_m'])}"
    if variant["brake_on_m"] is not None:
        before = variant["before_turn_in_m"]
        where = f"at {variant['brake_on_m']:.0f} m" if before is None else past(-before, "turn-in")
        return f"brakes, {where}"
    if variant["lift_moved_m"] is not None and record["brake"] is None:
        return f"lift {_shift(variant['lift_moved_m'])}"
    if variant["lift_m"] is not None:
        return f"lifts, at {variant['lift_m']:.0f} m"
    return "flat" if variant["entry"] == "flat" else "no braking"


def _shift(moved: float) -> str:
    if f"{abs(moved):.0f}" == "0":
        return "at the same place"
    return f"{metres(moved)} {'later' if moved > 0 else 'earlier'}"


def _variant_notes(variants: list[Record]) -> list[str]:
    notes = []
    if any(v["status"] not in ("driven", "not solved") for v in variants):
        notes.append(
            "Rows without seconds come from a whole lap of the changed car, "
            "which cannot enter this section as the reference does."
        )
    notes += [f"{v['words']}: {marked_name(v['why'])}." for v in variants if v["why"]]
    return [paragraph(" ".join(notes))] if notes else []


def variant_short(record: Record, variant: Record) -> str:
    """A variant in a few words."""
    if variant["entry"] is None:
        return f"{variant['words']}: no answer found"
    change = _slowest_cells(variant)[1]
    return f"{variant['words']}: {_entry_moved(record, variant)}, {change} km/h"


def how_computed(record: Record) -> list[str]:
    """The section, its mesh, its agreement with the lap, and the work."""
    section = record["section"]
    apart, error = (f"{1000 * abs(section[key]):.1f} ms" for key in ("against_lap_s", "mesh_error_s"))
    told = (
        f"The section of {metres(section['length_m'])} from station {section['start_m']:.0f} m to "
        f"station {section['end_m']:.0f} m was solved on {section['intervals']} intervals, "
        f"{section['mesh_step_m']:.1f} m long in the corner; it takes {section['time_s']:.3f} s, with an estimated "
        f"error of {error} from the mesh. From the lift or brake point to the corner's end it differs by {apart} and by "
        f"no more than {section['against_lap_kmh']:.1f} km/h from the lap that it was taken from. With all mistakes and "
        f"variants: {section['solves']} solves of the section, {section['iterations']} iterations, "
        f"{section['wall_time_s']:.1f} s."
    )
    return [paragraph(told)]
