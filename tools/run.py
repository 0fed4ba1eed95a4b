"""The two commands of the README, for a machine that has nothing but Python.

    python3 tools/run.py lap                the reference lap of the shipped circuit and car
    python3 tools/run.py test [ARGS]        the tests; ARGS go to pytest

Either makes a virtual environment (.venv beside this folder, or ``--venv DIR``), installs lapwright and what it
needs into it, and goes on. An environment that is up to date with pyproject.toml is used as it is.

Only the standard library is used, in words that an old Python understands too: it has to say that it is too old.
"""

import argparse
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

OLDEST = (3, 11)
ROOT = Path(__file__).resolve().parent.parent
STAMP = "lapwright-installed.json"
"""In the environment: for which pyproject.toml, folder and extras it was filled."""
TRACK, VEHICLE, OUT = "tracks/marrow-fen.yaml", "vehicles/cup-coupe.yaml", "out/marrow-fen-cup-coupe"
FAILED, INTERRUPTED = 1, 130
CORES = 2
"""Test processes at most, and no more than the machine has processors: each starts with its own imports."""


def main(argv: list) -> int:
    """Run one of the commands; the exit status is that of what was run."""
    if sys.version_info < OLDEST:
        found = ".".join(str(part) for part in sys.version_info[:3])
        wanted = ".".join(str(part) for part in OLDEST)
        return complain(
            f"lapwright needs Python {wanted} or newer; this is Python {found} ({sys.executable})"
        )
    args, rest = parse(argv)
    venv = args.venv or ROOT / ".venv"
    try:
        if args.command == "lap":
            python = prepare(venv, [])
            return lap(python)
        python = prepare(venv, ["test", "lint"] if args.lint else ["test"])
        linted = lint(python) if args.lint else 0
        tested = tests(python, rest)
        if linted:
            complain("lint: see the complaints above the tests")
        return tested or linted
    except KeyboardInterrupt:
        return INTERRUPTED
    except TroubleError as trouble:
        return complain(str(trouble))


class TroubleError(Exception):
    """Something that the user has to know; the text says what to do."""


def parse(argv: list) -> tuple:
    """The arguments, and those that are for pytest."""
    parser = argparse.ArgumentParser(prog="tools/run.py", allow_abbrev=False)
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    shown = commands.add_parser(
        "lap", allow_abbrev=False, help="the reference lap of the shipped circuit and car"
    )
    tested = commands.add_parser("test", allow_abbrev=False, help="the tests; further arguments go to pytest")
    tested.add_argument("--lint", action="store_true", help="ruff and mypy first")
    for command in (shown, tested):
        command.add_argument(
            "--venv", metavar="DIR", type=Path, help="the virtual environment (default .venv)"
        )
    args, rest = parser.parse_known_args(argv)
    if rest and args.command == "lap":
        shown.error("unknown argument " + rest[0] + "; for other laps use the command lapwright itself")
    return args, rest


def prepare(venv: Path, extras: list) -> Path:
    """The Python of an environment that holds lapwright with ``extras``; made and filled when it is not there yet."""
    venv = Path(os.path.abspath(str(venv)))
    python = venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    stamp = venv / STAMP
    if venv.exists() and not (venv / "pyvenv.cfg").exists() and (not venv.is_dir() or any(venv.iterdir())):
        raise TroubleError(f"{venv} is not a virtual environment: give another folder with --venv")
    if not works(python):
        if (venv / "pyvenv.cfg").exists() and not stamp.exists():
            raise TroubleError(
                f"the Python in {venv} does not run or is too old: remove it, or give another --venv"
            )
        say(f"making a virtual environment in {shown_path(venv)}")
        make(venv)
    state = {"project": fingerprint(), "folder": str(ROOT)}
    known = read_stamp(stamp)
    had = known.pop("extras", [])
    if known == state:
        if set(extras) <= set(had):
            return python
        extras = sorted({*extras, *had})
    say("installing lapwright and what it needs (once; a minute or two)")
    if stamp.exists():
        stamp.unlink()
    install(python, extras)
    stamp.write_text(json.dumps({**state, "extras": extras}), encoding="utf-8")
    return python


def works(python: Path) -> bool:
    """Whether there is a Python that runs, new enough."""
    if not python.exists():
        return False
    try:
        ask = f"import sys; sys.exit(sys.version_info < {OLDEST})"
        return (
            subprocess.run([str(python), "-c", ask], env=environment(), capture_output=True).returncode == 0
        )
    except OSError:
        return False


def make(venv: Path) -> None:
    """A fresh environment, in place of a broken one of our own."""
    made = subprocess.run(
        [sys.executable, "-m", "venv", "--clear", str(venv)],
        env=environment(),
        capture_output=True,
        text=True,
    )
    if made.returncode:
        raise TroubleError(
            (made.stdout + made.stderr).strip() + "\nno virtual environment could be made. Some systems ship "
            "Python without venv and pip: on Debian and Ubuntu, apt install python3-venv"
        )


def install(python: Path, extras: list) -> None:
    """Install this folder, editable, with pip; its words are shown only when it fails."""
    what = str(ROOT) + ("[" + ",".join(extras) + "]" if extras else "")
    command = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-input"]
    done = subprocess.run([*command, "--editable", what], env=environment(), capture_output=True, text=True)
    if done.returncode:
        raise TroubleError(
            (done.stdout + done.stderr).strip() + "\npip could not install lapwright (see above)"
        )


def fingerprint() -> str:
    """What the installed packages follow from."""
    return hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()


def read_stamp(stamp: Path) -> dict:
    """What the environment was filled with; nothing known when there is no stamp, or no sense in it."""
    try:
        known = json.loads(stamp.read_text(encoding="utf-8"))
        return known if isinstance(known, dict) and isinstance(known.get("extras"), list) else {}
    except (OSError, ValueError):
        return {}


def environment(**more: str) -> dict:
    """The environment of a child: nothing from outside the virtual environment is to be seen in it."""
    hidden = ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV")
    return {**{name: value for name, value in os.environ.items() if name not in hidden}, **more}


def lap(python: Path) -> int:
    """The reference lap, then the list of what it wrote."""
    command = [str(python), "-m", "lapwright", "lap", TRACK, VEHICLE, "--out", OUT, "--force"]
    status = subprocess.run(command, cwd=str(ROOT), env=environment()).returncode
    if status == 0:
        for path in sorted((ROOT / OUT).iterdir()):
            print(f"  {shown_path(path)}  {max(1, round(path.stat().st_size / 1024))} kB")
    return status


def lint(python: Path) -> int:
    """Style, layout and types; all three, even when the first complains."""
    worst = 0
    for words in (["ruff", "check"], ["ruff", "format", "--check"], ["mypy"]):
        print("$ " + " ".join(words), flush=True)
        status = subprocess.run([str(python), "-m", *words], cwd=str(ROOT), env=environment()).returncode
        worst = worst or status
    return worst


def tests(python: Path, rest: list) -> int:
    """The default tests, or what ``rest`` asks pytest for."""
    command = [str(python), "-m", "pytest"]
    workers = min(CORES, os.cpu_count() or 1)
    if workers > 1 and not any(word.startswith(("-n", "--numprocesses", "--pdb")) for word in rest):
        command += ["-n", str(workers)]
    # One thread in each process: the matrices are small, and two processes with two threads each get in their way.
    threads = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")}
    return subprocess.run([*command, *rest], cwd=str(ROOT), env=environment(**threads)).returncode


def shown_path(path: Path) -> str:
    """A path as seen from this repository, if it lies in it."""
    try:
        return path.relative_to(ROOT).as_posix()
    except ValueError:
        return str(path)


def say(text: str) -> None:
    """A line about what is going on, at once."""
    print(text, file=sys.stderr, flush=True)


def complain(text: str) -> int:
    """A line about what went wrong; the exit status for it."""
    say(text)
    return FAILED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
