"""The page docs/files.md: every key of the files, made from the tables that also check them.

``python -m lapwright.inputs.reference > docs/files.md`` writes it anew; a test compares.
"""

from __future__ import annotations

from collections.abc import Iterator

from lapwright.inputs.csv_points import COLUMNS, REQUIRED_COLUMNS
from lapwright.inputs.kinds import Either, Group, Key, Kind, ListOf
from lapwright.inputs.study_keys import STUDY
from lapwright.inputs.study_vary import AIR_DENSITY, CONDITIONS, MAX_CASES, ROAD_GRIP, Vary
from lapwright.inputs.track_keys import TRACK
from lapwright.inputs.vehicle_keys import FRICTION_CIRCLE, VEHICLE

_HEAD = """# Keys of the track, vehicle and study files

Made from the code by `python -m lapwright.inputs.reference > docs/files.md`; do not edit by hand.

Files are YAML (UTF-8). A unit stands in the name of the key; a key without one is dimensionless. Numbers are
decimal (`1250`, `0.62`, `1e3`), a share is a fraction between 0 and 1, and yes and no are `true` and `false`.
Aliases, tags and keys given twice are refused. `lapwright check FILE` lists every fault with line and column;
`lapwright schema track`, `lapwright schema vehicle` and `lapwright schema study` print JSON Schemas for editors.

Stations (`at_m`, `from_m`, `to_m`) are metres in plan along the centreline from its start. Lateral offsets
are positive to the left; bank is positive with the left edge higher.
"""

_CSV = """## Points from a CSV

`centreline.csv` names a table whose first line (blank lines and lines with # aside) holds the names of the
columns. Columns are separated by commas, semicolons or tabs; with semicolons and tabs a decimal comma is
understood. Widths and bank of a point are taken at the distance along the chords from the first point, which
differs from the smoothed centreline by far less than the spacing of the points.

| column | allowed | |
|---|---|---|
"""


_STUDY = """## Study

A study file says what `lapwright sweep` drives: every circuit with every car, as their files have them and then with
other numbers. Under `vary` stands the name of a number or word with its values:

- `vehicle.` and the keys of the vehicle file down to it, with points between: `vehicle.brakes.front_share`,
  `vehicle.driveline.differential.type`. An item of a list goes by its position from 1: `vehicle.driveline.gear_ratios.3`.
- `track.` and the keys of the track file: `track.width_m`, `track.grip.1.scale`. A single number in place of a list of
  stations holds along the whole road.
- `conditions.grip_scale`, a factor on the grip of the whole road, patches included (allowed: {grip}), and
  `conditions.air_density_kgm3`, the air density of every car (allowed: {air}).

Values are a list, or a range `{{from: 0.58, to: 0.72, count: 8}}`, ends included. `change` takes a list or range of what
is added to the number of the file, `factor` a list or range of what it is multiplied by; each car has its own. Words
are given as a list. Ranges of a hypercube have no `count`; a list there is a choice, drawn evenly. What is varied must
stand in every file (a key that has a value when left out counts as there), and every value must lie in the range of its
key. Setups that do not fit together in some rows only make rows that say so.

Plans: `grid` drives every combination, the last number changing fastest; `one_at_a_time` each value of each number by
itself; `side_by_side` the first of every list together, then the second, and so on; `hypercube` draws `samples` setups,
each range cut into as many equal strata with one sample in each. At most {most} cases are taken on.
"""


def _study_head() -> str:
    grip, air = CONDITIONS[ROAD_GRIP].words(), CONDITIONS[AIR_DENSITY].words()
    return _STUDY.format(grip=grip, air=air, most=f"{MAX_CASES:,}")


def reference_page() -> str:
    """The whole page as Markdown."""
    parts = [_HEAD, "## Track\n", *_sections(TRACK, "")]
    rows = [
        f"| `{name}` | {kind.words()} | {'required' if name in REQUIRED_COLUMNS else 'optional'} |\n"
        for name, kind in COLUMNS.items()
    ]
    parts.append(_CSV + "".join(rows))
    parts += ["## Vehicle, full model\n", *_sections(VEHICLE, "")]
    parts += ["## Vehicle, `model: friction_circle`\n", *_sections(FRICTION_CIRCLE, "")]
    parts += [_study_head(), *_sections(STUDY, "")]
    return "\n".join(parts)


def _sections(group: Group, path: str) -> Iterator[str]:
    yield _table(group, path)
    for key in group.keys:
        for inner, suffix in _inner_groups(key.kind):
            yield from _sections(inner, f"{path}{key.name}{suffix}.")


def _inner_groups(kind: Kind) -> Iterator[tuple[Group, str]]:
    if isinstance(kind, Group):
        yield kind, ""
    elif isinstance(kind, ListOf):
        yield from ((group, "[]" + suffix) for group, suffix in _inner_groups(kind.item))
    elif isinstance(kind, Vary):
        yield from ((group, ".NAME" + suffix) for group, suffix in _inner_groups(kind.entry))
    elif isinstance(kind, Either):
        for part in (kind.mapping, kind.sequence):
            if part is not None:
                yield from _inner_groups(part)


def _table(group: Group, path: str) -> str:
    title = f"`{path.removesuffix('.')}`" if path else "Top level"
    rows = "".join(
        f"| `{key.name}` | {key.kind.words()} | {_default(key)} | {key.doc} |\n" for key in group.keys
    )
    return f"{title}\n\n| key | allowed | when left out | meaning |\n|---|---|---|---|\n{rows}"


def _default(key: Key) -> str:
    if key.required:
        return "required"
    return (
        ""
        if key.default in (None, ())
        else f"{key.default:g}"
        if not isinstance(key.default, str)
        else key.default
    )


if __name__ == "__main__":
    print(reference_page(), end="")
