"""Penalised splines: the smooth curve in noisy data, with the amount of smoothing found from the data.

Quintic B-splines on even knots with a penalty on third differences of their coefficients (P. Eilers and B.
Marx, "Flexible smoothing with B-splines and penalties", Statistical Science 11 (1996) 89-121). The third
derivative of a position is about the rate of change of curvature, so what is penalised is what a driver does
not find on a road.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse
from scipy.interpolate import BSpline
from scipy.sparse.linalg import splu

from lapwright.track.road import Array

DEGREE = 5
ORDER = 3
_PROBES = 8
_SLACK = 1.02
"""Fits with an expected error this little above the least are as good: the smoothest is taken."""


@dataclass(frozen=True, eq=False)
class Smoother:
    """Data (M, C) at parameters ``t`` (M,) in [0, ``length``], ready to be smoothed; periodic when
    ``closed``.

    ``knot_step`` is the spacing of the knots. ``stretch`` holds factors on the wavelength at even parameters
    from 0 to ``length``: the smoothing is that much stronger there.
    """

    t: Array
    data: Array
    length: float
    closed: bool
    knot_step: float
    stretch: Array | None = None

    @cached_property
    def count(self) -> int:
        """Number of knot intervals."""
        return max(2 * DEGREE, round(self.length / self.knot_step))

    @cached_property
    def knots(self) -> Array:
        """Even knots, five beyond either end."""
        beyond = DEGREE * self.length / self.count
        return np.linspace(-beyond, self.length + beyond, self.count + 2 * DEGREE + 1)

    @cached_property
    def _fold(self) -> Any:
        """Joins the last five coefficients to the first on a closed curve."""
        total = self.count + DEGREE
        if not self.closed:
            return sparse.identity(total, format="csr")
        columns = np.arange(total) % self.count
        return sparse.csr_matrix((np.ones(total), (np.arange(total), columns)), shape=(total, self.count))

    @cached_property
    def basis(self) -> Any:
        """Values of the basis at the data (M, N)."""
        t = np.clip(self.t, self.knots[DEGREE], self.knots[-DEGREE - 1])
        return (BSpline.design_matrix(t, self.knots, DEGREE) @ self._fold).tocsr()

    @cached_property
    def _normal(self) -> Any:
        return (self.basis.T @ self.basis).tocsc()

    @cached_property
    def _penalty(self) -> Any:
        total = self.count + DEGREE
        weights = [(-1) ** (ORDER - k) * math.comb(ORDER, k) for k in range(ORDER + 1)]
        if self.closed:
            columns = np.arange(self.count)
            rows = sparse.csr_matrix((self.count, self.count))
            for shift, weight in enumerate(weights):
                moved = (columns + shift) % self.count
                rows = rows + sparse.csr_matrix((np.full(self.count, float(weight)), (columns, moved)))
        else:
            shape = (total - ORDER, total)
            rows = sparse.diags_array([float(w) for w in weights], offsets=range(ORDER + 1), shape=shape)
        step = self.length / self.count
        if self.stretch is not None:
            # Row j takes the coefficients j to j + 3, whose splines are centred on (j - 2) to (j + 1) steps.
            middle = (np.arange(rows.shape[0]) - 0.5) * step
            even = np.linspace(0.0, self.length, len(self.stretch))
            factor = np.interp(np.mod(middle, self.length) if self.closed else middle, even, self.stretch)
            rows = sparse.diags_array(factor**ORDER) @ rows
        return (rows.T @ rows).tocsc() / step ** (2 * ORDER - 1)

    def _factor(self, wave: float) -> tuple[Any, Any]:
        # A sine of this wavelength comes out at half its height: density / (density + weight (2 pi /
        # wave)^6).
        weight = len(self.t) / self.length * (wave / (2.0 * math.pi)) ** (2 * ORDER)
        matrix = (self._normal + weight * self._penalty).tocsc()
        return matrix, splu(matrix)

    def _solve(self, wave: float) -> tuple[Array, Any]:
        matrix, factor = self._factor(wave)
        right = self.basis.T @ self.data
        found = factor.solve(right)
        # One step of refinement: strong smoothing of a long road makes the matrix ill-conditioned.
        return found + factor.solve(right - matrix @ found), factor

    def spline(self, wave: float) -> BSpline:
        """The smooth curve that keeps waves longer than ``wave`` [m]; values (..., C)."""
        return BSpline(self.knots, self._fold @ self._solve(wave)[0], DEGREE)

    def scores(self, waves: Array) -> tuple[Array, Array]:
        """Expected error and rms residual for each wavelength.

        The expected error is the generalised cross-validation score (P. Craven and G. Wahba, Numerische
        Mathematik 31 (1979) 377-403) with the trace estimated from random signs, the same ones every time.
        """
        rows = len(self.t)
        signs = np.where(np.random.default_rng(20240229).random((rows, _PROBES)) < 0.5, -1.0, 1.0)
        carried = self.basis.T @ signs
        score, residual = np.empty(len(waves)), np.empty(len(waves))
        for index, wave in enumerate(waves):
            found, factor = self._solve(float(wave))
            missed = self.data - self.basis @ found
            residual[index] = math.sqrt(float(np.sum(missed**2)) / rows)
            trace = float(np.sum(carried * factor.solve(carried))) / _PROBES
            score[index] = residual[index] / max(1.0 - trace / rows, 1e-6)
        return score, residual

    def best_waves(self, waves: Array, unseen: float) -> tuple[float, float]:
        """Shortest and longest of the wavelengths that suit the data.

        The first has the least expected error, the second is the longest that is as good (within 2 %) or
        whose residual is below ``unseen`` [m], too small to matter.
        """
        score, residual = self.scores(waves)
        best = int(np.argmin(score))
        good = (score <= _SLACK * score[best]) | (residual <= unseen)
        good[:best] = False
        longest = best
        while longest + 1 < len(waves) and good[longest + 1]:
            longest += 1
        return float(waves[best]), float(waves[longest])
