"""docs/logs.md says what the tables of keys and units say."""

import re
from pathlib import Path

from lapwright.inputs.channel_map import read_channel_map
from lapwright.inputs.channel_map_keys import CHANNEL_MAP, SIGNED
from lapwright.inputs.log_units import UNITS_OF

PAGE = (Path(__file__).parents[2] / "docs" / "logs.md").read_text(encoding="utf-8")


def rows(heading):
    """Rows of the table whose head begins so, as lists of cells."""
    body = PAGE.split(heading, 1)[1].split("\n\n", 1)[0]
    return [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in body.splitlines()
        if line.startswith("| `")
    ]


def test_the_map_on_the_page_is_one():
    chart = read_channel_map(re.search(r"```yaml\n(.*?)```", PAGE, re.DOTALL).group(1))
    assert chart.header == 12 and chart.channels["steering_wheel"].sign == -1


def test_every_key_is_there():
    listed = {name for row in rows("| key | | |") for name in re.findall(r"`([^`]+)`", row[0])}
    assert listed == {key.name for key in CHANNEL_MAP.keys}


def test_every_channel_is_there_with_all_its_units():
    listed = {}
    for row in rows("| channel | what it is | units | `sign` |"):
        for name in re.findall(r"`([^`]+)`", row[0]):
            listed[name] = re.findall(r"`([^`]+)`", row[2]), row[3] == "yes"
    assert set(listed) == set(UNITS_OF)
    for name, units in UNITS_OF.items():
        assert listed[name] == ([unit.name for unit in units], name in SIGNED), name
