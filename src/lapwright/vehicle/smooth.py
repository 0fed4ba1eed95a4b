"""Smooth stand-ins for max(x, 0), sign(x) and a step; numpy arrays or CasADi symbols alike."""

from __future__ import annotations

from typing import Any

import numpy as np


def positive(x: Any, width: Any) -> Any:
    """Smooth max(x, 0), in the unit of ``x``.

    The value exceeds max(x, 0) by ``width / 2`` at zero and by ``width**2 / (4 |x|)`` far from it.
    """
    return 0.5 * (x + np.sqrt(x * x + width * width))


def sign(x: Any, width: Any) -> Any:
    """Smooth sign of ``x`` [-1 to 1]; half of the change happens within 0.58 ``width`` of zero."""
    return x / np.sqrt(x * x + width * width)


def step(x: Any, width: Any) -> Any:
    """Smooth step from 0 (x far below zero) to 1 (x far above), 0.5 at zero."""
    return 0.5 * (1.0 + sign(x, width))
