"""The page, the booklet and the terminal's form of a corner card: truthful for every sort of corner, and nothing invented."""

from __future__ import annotations

import json
import re
from copy import deepcopy

import pytest
from corner_cards import record

from lapwright.outputs.card_text import booklet_markdown, card_markdown, card_terminal
from lapwright.quantities import CAUTION

CAR, CIRCLE = "cup-coupe", "teaching-car"

YARDSTICKS = {"0.5", "1"}
"""Numbers that belong to the wording, not to a corner."""


def without_braking(told):
    told["corner"]["entry"] = "lift"
    told["brake"] = told["release"] = told["coast"] = told["worth_of_trail"] = None
    told["turn_in"]["brake_left"] = None
    for variant in told["grip"]:
        variant["brake_on_moved_m"] = None
    return told


def shared(told):
    told["corner"]["entry"], told["lift"] = "shared", None
    told["brake"] |= {
        "shared_with": "Mill | Lane",
        "applications": 2,
        "before_turn_in_m": -4.2,
        "straight_m": 0.0,
    }
    told["turn_in"]["brake_left"] = None
    told["brake"]["landmark"] = told["brake"]["landmark_distance_m"] = None
    return told


def already_turning(told):
    told["turn_in"] = told["worth_of_trail"] = told["release"] = told["coast"] = None
    for part in (told["brake"], told["lift"]):
        part["before_turn_in_m"] = None
    told["throttle"] = dict.fromkeys(told["throttle"])
    told["steering"]["unwound_m"] = told["steering"]["unwound_past_slowest_m"] = None
    told["slowest"]["where"] = "end"
    return told


def unanswered(told):
    for mistake, status in zip(told["mistakes"], ("off the road", "not solved") * 9, strict=False):
        off = status == "off the road"
        mistake |= dict.fromkeys(("loss_s", "price_s", "moved_m", "moved_at_m", "edge_m"))
        mistake |= {
            "status": status,
            "off_road_by_m": 1.7 if off else None,
            "off_road_at_m": 801.2 if off else None,
        }
    worth = told["worth_of_trail"]
    worth["no_trail_s"] = worth["half_lost_m"] = None
    for point in worth["points"][:3]:
        point |= {"loss_s": None, "status": "off the road"}
    for variant in (*told["grip"], *told["human"]):
        kept = ("variant", "words")
        variant |= dict.fromkeys(key for key in variant if key not in kept)
        variant |= {"status": "not solved", "why": "No way was found"}
    return told


CHANGES = {
    "without braking": without_braking,
    "shared": shared,
    "already turning": already_turning,
    "unanswered": unanswered,
}


@pytest.fixture(scope="module")
def told():
    """A record for each sort of corner: real ones, and the whole one changed."""
    whole = record(CAR, "Gate")
    found = {"braked": whole, "flat": record(CAR, "Heron"), "lift": record(CAR, "Kiln")}
    found |= {"past the line": record(CAR, "Long Acre"), "circle": record(CIRCLE, "Gate")}
    return found | {word: change(deepcopy(whole)) for word, change in CHANGES.items()}


SORTS = ("braked", "flat", "lift", "past the line", "circle", *CHANGES)


def leaves(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [leaf for item in value for leaf in leaves(item)]
    return [] if value is None or isinstance(value, bool) else [value]


def allowed(told):
    """Every number that a page may hold, as it may be written: rounded, in percent, in milliseconds; those in words too."""
    found = set(YARDSTICKS)
    for leaf in leaves(told):
        if isinstance(leaf, str):
            found |= set(re.findall(r"\d+(?:\.\d+)?", leaf))
            continue
        found |= {f"{abs(leaf) * factor:.{d}f}" for factor in (1, 100, 1000) for d in range(5)}
    return found


@pytest.mark.parametrize("sort", SORTS)
@pytest.mark.parametrize("form", [card_markdown, card_terminal])
def test_every_number_is_one_of_the_record(told, sort, form):
    numbers = re.findall(r"\d+(?:\.\d+)?", form(told[sort]))
    assert len(numbers) > 12
    assert set(numbers) <= allowed(told[sort])


@pytest.mark.parametrize("sort", SORTS)
@pytest.mark.parametrize("form", [card_markdown, card_terminal])
def test_what_did_not_happen_is_never_a_value(told, sort, form):
    text = form(told[sort])
    assert not re.search(r"\bNone\b|\bnan\b|\binf\b|\{|\}", text)
    assert text.isascii() and text.endswith("\n") and "\u00a0" not in text
    assert " ".join(CAUTION.split()) in " ".join(text.split())
    assert not re.search(r"-0(\.0+)?(?![\d.])", text), "a negative nought"


@pytest.mark.parametrize("sort", SORTS)
def test_tables_are_tables_and_lines_no_lists(told, sort):
    text = card_markdown(told[sort])
    blocks = [block.splitlines() for block in text.split("\n\n") if block.startswith("|")]
    assert blocks
    for block in blocks:
        assert len({len(line) for line in block}) == 1
        assert len({len(re.findall(r"(?<!\\)\|", line)) for line in block}) == 1
        assert re.fullmatch(r"\|( -{2,}[-:] \|)+", block[1])
    loose = [line for line in text.splitlines() if re.match(r"\s*(\d+[.)]|[-+*])\s", line)]
    assert all(line.startswith("- **") for line in loose)
    assert all(len(line) <= 110 for line in text.splitlines() if line[:1] not in ("|", "#"))


def test_page_is_written_from_the_record_that_the_file_holds(told):
    read_back = json.loads(json.dumps(told["braked"]))
    assert card_markdown(read_back) == card_markdown(told["braked"])


SHOWN = [
    ("brake", "before_turn_in_m"), ("brake", "brake_on_speed_kmh"), ("brake", "brake_on_gear"), ("brake", "pressure_bar"),
    ("brake", "peak"), ("brake", "build_up_s"), ("brake", "build_up_m"), ("brake", "deceleration_g"), ("brake", "straight_m"),
    ("brake", "landmark_distance_m"), ("brake", "brake_off_past_slowest_m"), ("brake", "trail_m"), ("turn_in", "brake_left"),
    ("turn_in", "turn_in_speed_kmh"), ("release", "duration_s"), ("release", "length_m"), ("release", "left_at_quarter"),
    ("release", "left_at_half"), ("release", "left_at_three_quarters"), ("release", "power"), ("release", "end_power"),
    ("slowest", "slowest_speed_kmh"), ("slowest", "lateral_g"), ("clip", "clip_past_slowest_m"), ("clip", "gap_m"),
    ("coast", "length_m"), ("coast", "time_s"), ("throttle", "pick_up_past_slowest_m"), ("throttle", "full_past_slowest_m"),
    ("throttle", "full_speed_kmh"), ("throttle", "full_gear"), ("steering", "peak_deg"), ("steering", "rate_dps"),
    ("steering", "unwound_past_slowest_m"), ("worth_of_trail", "no_trail_s"), ("section", "mesh_step_m"),
    ("section", "intervals"), ("section", "mesh_error_s"), ("section", "against_lap_s"), ("section", "against_lap_kmh"),
    ("section", "solves"),
]  # fmt: skip


@pytest.mark.parametrize(("part", "key"), SHOWN)
def test_a_number_of_the_record_is_shown(told, part, key):
    changed = deepcopy(told["braked"])
    changed[part][key] += 17
    assert card_markdown(changed) != card_markdown(told["braked"])


def one_line(text):
    return " ".join(text.split())


def test_a_braked_corner_reads_like_this(told):
    text, brake = one_line(card_markdown(told["braked"])), told["braked"]["brake"]
    board = f"{brake['landmark_distance_m']:.0f} m after 150 m board"
    assert f"- **Brake on**: {brake['before_turn_in_m']:.0f} m before turn-in, {board}, at" in text
    assert f"{brake['pressure_bar']:.0f} bar, {100 * brake['peak']:.0f} % of full pressure" in text
    assert f"{100 * told['braked']['turn_in']['brake_left']:.0f} % of the peak brake is left" in text
    assert told["braked"]["release"]["shape"] in text
    assert f"this corner costs {told['braked']['worth_of_trail']['no_trail_s']:.3f} s more" in text
    assert "late is the dearer side; when in doubt, be early" in text
    assert (
        "At turn-in the front axle carries" in text
        and "the front axle has gained grip, the other has not" in text
    )


@pytest.mark.parametrize(
    ("sort", "there", "not_there"),
    [
        ("flat", ["taken flat, the foot stays down", "full all the way through"], ["**Brake on**", "**Coast**", "bar,"]),
        ("lift", ["no braking zone: a lift, and a light brake", "**Lift**", "**Light brake**", "Only a light brake"],
         ["**Brake on**", "**Release**", "**Coast**"]),
        ("without braking", ["no braking: a lift is enough", "**Lift**", "taken without the brake"],
         ["**Brake on**", "**Release**", "**Coast**", "**Light brake**"]),
        ("shared", ["no braking of its own, the brake is still on for Mill \\| Lane", "pressed 2 times",
                    "4 m past turn-in", "the brake is not on yet"], ["150 m board"]),
        ("already turning", ["the car is turning already from the corner before", "not before the next corner asks",
                             "slower all the way in", "not unwound before the corner's end"], ["**Coast**"]),
        ("circle", ["of the grip", "This car is a point mass", "neither pedals nor a wheel"],
         ["gear", " bar", "**Steering**", "axle carries", "front use"]),
        ("unanswered", ["off the road | by 1.7 m at 801 m", "no answer found", "No way was found",
                        "no way was found that stays on the road"], ["dearer"]),
    ],
)  # fmt: skip
def test_other_corners_are_told_truthfully(told, sort, there, not_there):
    text = one_line(card_markdown(told[sort]))
    assert [words for words in there if words not in text] == []
    assert [words for words in not_there if words in text] == []


@pytest.mark.parametrize(
    ("early", "late", "words"),
    [
        (0.010, 0.060, "late is the dearer side; when in doubt, be early"),
        (0.060, 0.010, "early is the dearer side in seconds"),
        (0.0110, 0.0115, "either side costs the same"),
    ],
)
def test_which_side_is_dearer_follows_from_the_numbers(told, early, late, words):
    changed = deepcopy(told["braked"])
    for mistake in changed["mistakes"]:
        mistake["loss_s"] = {"brake_10_m_early": early, "brake_10_m_late": late}.get(
            mistake["mistake"], mistake["loss_s"]
        )
    text = one_line(card_markdown(changed))
    assert f"Braking 10 m early costs {early:.3f} s, as much late costs {late:.3f} s: {words}" in text


def test_off_the_road_late_means_be_early(told):
    changed = deepcopy(told["braked"])
    late = next(m for m in changed["mistakes"] if m["mistake"] == "brake_10_m_late")
    late |= {"status": "off the road", "loss_s": None, "off_road_by_m": 2.44, "off_road_at_m": 790.0}
    assert "leads off the road by 2.4 m: when in doubt, be early." in one_line(card_markdown(changed))


@pytest.mark.parametrize(
    "name", ["A|B`c`", "line\nbreak\r\n\ttab", "# 1. *x* _y_ [z](u) <b>", "Kurve Süd \u2014 \u65e5", "1. x"]
)
def test_names_from_files_break_nothing(told, name):
    changed = deepcopy(told["braked"])
    for key in ("name", "track", "vehicle"):
        changed["corner"][key] = name
    changed["brake"]["landmark"] = changed["brake"]["shared_with"] = name
    plain, page = (form(told["shared"]) for form in (card_terminal, card_markdown))
    assert plain and page
    for text in (card_markdown(changed), booklet_markdown([changed, told["flat"]])):
        assert text.isascii()
        for block in (b.splitlines() for b in text.split("\n\n") if b.startswith("|")):
            assert len({len(re.findall(r"(?<!\\)\|", line)) for line in block}) == 1
        assert not re.search(r"(?<!\\)[`\[\]<>]", text)
        assert text.count("\n# ") + text.startswith("# ") == 1
    assert all(line.isprintable() for line in card_terminal(changed).splitlines())


def test_booklet_has_a_row_and_a_card_for_every_corner(told):
    records = [told[sort] for sort in ("braked", "flat", "lift")]
    text = booklet_markdown(records)
    rows = [line for line in text.split("\n\n")[1].splitlines()[2:]]
    assert [row.split("|")[1].strip() for row in rows] == ["Gate", "Heron", "Kiln"]
    assert "brake 5 m late +" in rows[0] and " flat " in rows[1] and " lift " in rows[2]
    assert re.findall(r"^## (\w+) - ", text, flags=re.MULTILINE) == ["Gate", "Heron", "Kiln"]
    for told_here in records:
        assert card_markdown(told_here, 2).strip() in text


def test_dearest_small_mistake_leads_off_the_road_first(told):
    changed = deepcopy(told["braked"])
    early = next(m for m in changed["mistakes"] if m["mistake"] == "brake_5_m_early")
    early |= {"status": "off the road", "loss_s": None, "off_road_by_m": 0.3, "off_road_at_m": 790.0}
    assert "brake 5 m early: off the road" in booklet_markdown([changed]).split("\n\n")[1]


def test_a_booklet_without_cards_is_refused():
    with pytest.raises(ValueError, match="needs a card"):
        booklet_markdown([])


@pytest.mark.parametrize("width", [60, 80, 100])
@pytest.mark.parametrize("sort", SORTS)
def test_terminal_keeps_to_its_width_and_ends_with_the_caution(told, sort, width):
    lines = card_terminal(told[sort], width).splitlines()
    assert max(map(len, lines)) <= width
    assert " ".join(lines).endswith(CAUTION[-40:])
    assert width < 100 or len(lines) <= 35
