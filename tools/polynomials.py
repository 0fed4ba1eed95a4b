"""Coefficients of the polynomials in ``src/lapwright/compiled/polynomials.py``: prints that module.

Best approximation by Remez's exchange (E. Ya. Remez 1934; N. J. Higham and others' textbooks have it), in 50 digits, for the
relative error of the whole function; the coefficients are then rounded to doubles one by one and the error is taken again.
Needs mpmath: ``pip install -e .[test]``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import mpmath as mp

mp.mp.dps = 50
ROUNDS = 12
SAMPLES = 400
HEAD = (
    '''"""Coefficients of best approximations, lowest power first. Printed by ``tools/polynomials.py``."""'''
)


@dataclass(frozen=True)
class Wanted:
    """A polynomial: name, meaning, function, weight of its error, interval, degree."""

    name: str
    meaning: str
    function: Callable[[Any], Any]
    weight: Callable[[Any], Any]
    start: Any
    end: Any
    degree: int


def of_sine(z: Any) -> Any:
    """(sin(x) - x) / x**3 of z = x**2."""
    x = mp.sqrt(z)
    return mp.mpf(-1) / 6 + z / 120 if z < mp.mpf(10) ** -12 else (mp.sin(x) - x) / x**3


def of_cosine(z: Any) -> Any:
    """(cos(x) - 1 + x**2 / 2) / x**4 of z = x**2."""
    return mp.mpf(1) / 24 - z / 720 if z < mp.mpf(10) ** -12 else (mp.cos(mp.sqrt(z)) - 1 + z / 2) / z**2


def of_arcsine(z: Any) -> Any:
    """(asin(x) - x) / x**3 of z = x**2."""
    x = mp.sqrt(z)
    return mp.mpf(1) / 6 + 3 * z / 40 if z < mp.mpf(10) ** -12 else (mp.asin(x) - x) / x**3


def of_arctangent(z: Any) -> Any:
    """(atan(x) - x) / x**3 of z = x**2."""
    x = mp.sqrt(z)
    return mp.mpf(-1) / 3 + z / 5 if z < mp.mpf(10) ** -12 else (mp.atan(x) - x) / x**3


def of_exponential(r: Any) -> Any:
    """(exp(r) - 1 - r) / r**2."""
    return mp.mpf(1) / 2 + r / 6 if abs(r) < mp.mpf(10) ** -14 else (mp.exp(r) - 1 - r) / r**2


def of_logarithm(z: Any) -> Any:
    """(log((1 + s) / (1 - s)) - 2 s) / s**3 of z = s**2."""
    s = mp.sqrt(z)
    return mp.mpf(2) / 3 + 2 * z / 5 if z < mp.mpf(10) ** -12 else (2 * mp.atanh(s) - 2 * s) / s**3


EIGHTH = mp.tan(mp.pi / 8)
HALF_LOG2 = mp.log(2) / 2 * mp.mpf("1.001")
QUARTER = (mp.pi / 4 * mp.mpf("1.001")) ** 2
S_MAX = ((mp.sqrt(2) - 1) / (mp.sqrt(2) + 1) * mp.mpf("1.001")) ** 2
WANTED = (
    Wanted(
        "SINE", "(sin(x) - x) / x**3 in powers of x**2, abs(x) < pi/4", of_sine, lambda z: z, 0, QUARTER, 5
    ),
    Wanted(
        "COSINE",
        "(cos(x) - 1 + x**2/2) / x**4 in powers of x**2, abs(x) < pi/4",
        of_cosine,
        lambda z: z**2,
        0,
        QUARTER,
        5,
    ),
    Wanted(
        "ARCSINE",
        "(asin(x) - x) / x**3 in powers of x**2, abs(x) < 1/2",
        of_arcsine,
        lambda z: z,
        0,
        mp.mpf("0.2501"),
        12,
    ),
    Wanted(
        "ARCTANGENT",
        "(atan(x) - x) / x**3 in powers of x**2, abs(x) < tan(pi/8)",
        of_arctangent,
        lambda z: z,
        0,
        (EIGHTH * mp.mpf("1.001")) ** 2,
        11,
    ),
    Wanted(
        "EXPONENTIAL",
        "(exp(x) - 1 - x) / x**2 in powers of x, abs(x) < log(2)/2",
        of_exponential,
        lambda r: r**2,
        -HALF_LOG2 * mp.mpf("1.002"),  # uneven, so that no node falls on zero, where the weight is nothing
        HALF_LOG2,
        9,
    ),
    Wanted(
        "LOGARITHM",
        "(log((1 + s) / (1 - s)) - 2 s) / s**3 in powers of s**2, s < (sqrt(2) - 1)**2",
        of_logarithm,
        lambda z: z / 2,
        0,
        S_MAX,
        6,
    ),
)


def value(coefficients: list[Any], x: Any) -> Any:
    """A polynomial, lowest power first."""
    return mp.polyval(coefficients[::-1], x)


def extremes(error: Callable[[Any], Any], points: list[Any]) -> list[Any]:
    """One place of largest error between each two changes of its sign."""
    found = [(x, error(x)) for x in points]
    groups: list[list[tuple[Any, Any]]] = []
    for x, e in found:
        if e != 0 and groups and mp.sign(groups[-1][-1][1]) == mp.sign(e):
            groups[-1].append((x, e))
        elif e != 0:
            groups.append([(x, e)])
    return [max(group, key=lambda at: abs(at[1]))[0] for group in groups]


def remez(wanted: Wanted) -> list[Any]:
    """Coefficients of the best approximation."""
    start, end, count = mp.mpf(wanted.start), mp.mpf(wanted.end), wanted.degree + 2
    middle, half = (start + end) / 2, (end - start) / 2
    nodes = [middle - half * mp.cos(mp.pi * (2 * k + 1) / (2 * count)) for k in range(count)]
    points = [middle - half * mp.cos(mp.pi * k / SAMPLES) for k in range(SAMPLES + 1)]
    exact = {x: wanted.function(x) for x in points}
    coefficients: list[Any] = []
    for _ in range(ROUNDS):
        weights = [wanted.weight(x) for x in nodes]
        matrix = mp.matrix(
            [
                [x**p for p in range(count - 1)] + [(-1) ** k / w]
                for k, (x, w) in enumerate(zip(nodes, weights, strict=True))
            ]
        )
        solved = mp.lu_solve(matrix, mp.matrix([exact.get(x) or wanted.function(x) for x in nodes]))
        coefficients = [solved[p] for p in range(count - 1)]
        error = {x: wanted.weight(x) * (value(coefficients, x) - exact[x]) for x in points}
        found = extremes(error.__getitem__, points)
        if len(found) < count:
            break
        while len(found) > count:
            found.pop(0 if abs(error[found[0]]) < abs(error[found[-1]]) else -1)
        nodes = found
    return coefficients


def main() -> None:
    """Print the module."""
    print(HEAD)
    print("\nfrom __future__ import annotations\n")
    for wanted in WANTED:
        rounded = [mp.mpf(float(c)) for c in remez(wanted)]
        points = mp.linspace(wanted.start, wanted.end, 997)
        error = max(abs(wanted.weight(x) * (value(rounded, x) - wanted.function(x))) for x in points)
        print(f"{wanted.name} = (")
        for coefficient in rounded:
            print(f"    {float(coefficient)!r},")
        print(f')\n"""{wanted.meaning}; relative error of the function 2**{float(mp.log(error, 2)):.1f}."""')


if __name__ == "__main__":
    main()
