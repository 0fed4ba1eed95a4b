"""The written pages: links lead somewhere, commands and options exist, the caution is there."""

import re
import shlex
from pathlib import Path

import pytest

from lapwright.cli.main import build_parser
from lapwright.quantities import CAUTION

ROOT = Path(__file__).resolve().parent.parent
PAGES = (
    "README.md",
    "DEVELOPERS.md",
    "docs/theory.md",
    "docs/files.md",
    "docs/logs.md",
    "docs/nomenclature.md",
    "examples/logs/README.md",
)


def text(page):
    return (ROOT / page).read_text(encoding="utf-8")


def anchors(page):
    """Names of the headings as the renderers of Markdown make them: common practice, no standard."""
    heads = re.findall(r"^#+ (.+)$", text(page), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)\s]+)\)", text(page)):
        if "://" in target:
            continue
        name, _, anchor = target.partition("#")
        place = (ROOT / page).parent / name if name else ROOT / page
        assert place.exists(), target
        assert not anchor or anchor in anchors(place.relative_to(ROOT)), target


@pytest.mark.parametrize("page", PAGES)
def test_named_files_exist(page):
    named = re.findall(
        r"(?:src/lapwright|tracks|vehicles|examples|tests|tools|docs|benchmarks)/[\w./-]+\.(?:py|yaml|md|csv)",
        text(page),
    )
    for name in named:
        assert (ROOT / name).exists(), name


def test_theory_names_modules_that_exist():
    rooms = [path for path in (ROOT / "src/lapwright").iterdir() if path.is_dir()]
    for name in re.findall(r"`(?:([a-z]+)/)?([a-z_]+\.py)`", text("docs/theory.md")):
        folders = [ROOT / "src/lapwright" / name[0]] if name[0] else rooms
        assert any((folder / name[1]).exists() for folder in folders), name


def test_commands_of_the_readme_are_understood():
    lines = [line.strip() for line in text("README.md").splitlines() if line.startswith("    ")]
    commands = [line for line in lines if re.match(r"(\.venv/bin/)?lapwright ", line)]
    assert len(commands) >= 4
    for line in commands:
        build_parser().parse_args(shlex.split(line)[1:])


def test_options_of_the_readme_belong_to_their_commands():
    parsers = build_parser()._subparsers._group_actions[0].choices
    rows = re.findall(r"^\| (`--[^|]+) \| ([a-z, ]+) \|", text("README.md"), flags=re.MULTILINE)
    assert len(rows) >= 9
    for options, commands in rows:
        for option in re.findall(r"--[a-z-]+", options):
            for command in commands.split(","):
                known = parsers[command.strip()]._option_string_actions
                assert option in known, f"{command} {option}"


def test_every_command_is_in_the_readme():
    for command in build_parser()._subparsers._group_actions[0].choices:
        assert f"`lapwright {command} " in text("README.md")


def test_everything_that_ships_is_in_the_readme():
    for folder in ("tracks", "vehicles"):
        for file in sorted((ROOT / folder).glob("*.yaml")):
            assert f"`{folder}/{file.name}`" in text("README.md")


def test_caution_stands_near_the_top():
    assert CAUTION in text("README.md")[:2500]


def test_picture_is_small_enough_to_ship():
    assert (ROOT / "docs/images/marrow-fen-map.png").stat().st_size < 300_000


@pytest.mark.slow
def test_readme_shows_the_lap_that_the_program_finds(capsys):
    """Within what another processor may change; the terminal table of the README against a run of today."""
    from lapwright.cli.main import main

    files = [str(ROOT / "tracks/marrow-fen.yaml"), str(ROOT / "vehicles/cup-coupe.yaml")]
    assert main(["lap", *files, "--quiet"]) == 0
    today = capsys.readouterr().out
    shown = text("README.md").split("```\nMarrow Fen - ")[1].split("```")[0]
    minutes = re.compile(r"^(?:Lap time|Baseline) +(\d+):(\d+\.\d+)", flags=re.MULTILINE)
    times = [[60 * int(m) + float(s) for m, s in minutes.findall(page)] for page in (shown, today)]
    assert len(times[0]) == 2
    assert times[0] == pytest.approx(times[1], abs=0.02)
    row = re.compile(r"^(\w+(?: \w+)?) +[LR-]+ +(?:flat|lift|\d+ m) .*$", flags=re.MULTILINE)
    assert len(row.findall(shown)) == 11
    assert row.findall(shown) == row.findall(today)
