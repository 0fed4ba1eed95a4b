"""The order of the rooms: a room imports only from rooms above it."""

import ast
from pathlib import Path

import lapwright

PACKAGE = Path(lapwright.__file__).parent
ROOMS = (
    "errors",
    "quantities",
    "track",
    "vehicle",
    "problem",
    "compiled",
    "transcription",
    "solver",
    "lap",
    "baseline",
    "reference",
    "replay",
    "corner",
    "driver",
    "study",
    "inputs",
    "outputs",
    "cli",
)
ENTRANCES = ("__init__", "__main__")
"""They fetch what they need from anywhere."""


def imported_rooms(module):
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}:{node.lineno}: a relative import"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        yield from (
            (node.lineno, name.split(".")[1])
            for name in names
            if name.split(".")[0] == "lapwright" and "." in name
        )


def test_every_room_is_in_the_list():
    here = {path.stem for path in PACKAGE.glob("*.py")} | {
        path.parent.name for path in PACKAGE.glob("*/__init__.py")
    }
    assert here == {*ROOMS, *ENTRANCES}


def test_imports_point_upward():
    wrong, seen = [], 0
    for place, room in enumerate(ROOMS):
        modules = (
            [PACKAGE / f"{room}.py"]
            if (PACKAGE / f"{room}.py").exists()
            else sorted((PACKAGE / room).rglob("*.py"))
        )
        assert modules
        for module in modules:
            for line, other in imported_rooms(module):
                seen += 1
                if other not in ROOMS[: place + 1]:
                    wrong.append(f"{module.relative_to(PACKAGE)}:{line}: {room} imports {other}")
    assert not wrong, "\n".join(wrong)
    assert seen > 100
