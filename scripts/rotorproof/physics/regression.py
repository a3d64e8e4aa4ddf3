"""Least squares with honest scatter: linear and non-linear fits whose covariance allows for correlated noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import FitError


@dataclass(frozen=True)
class Estimates:
    """Fitted parameters ``(k,)``, their covariance ``(k, k)`` from scatter, residuals ``(n,)`` and their spread.

    ``inflation`` is the factor by which correlated residuals widened the variances (1: none);
    ``degrees_of_freedom`` is reduced by the same factor.
    """

    values: np.ndarray
    covariance: np.ndarray
    residuals: np.ndarray
    residual_sd: float
    degrees_of_freedom: float
    inflation: float = 1.0


def linear_fit(design: np.ndarray, observed: np.ndarray, *, ordered: bool = False) -> Estimates:
    """Solve ``observed = design @ values`` by ordinary least squares.

    ``design`` is ``(n, k)``, ``observed`` ``(n,)``. With ``ordered`` the residuals are a series in time and
    their autocorrelation widens the covariance (see ``correlation_time``). Solved by a scaled QR decomposition,
    whose accuracy is checked against the NIST StRD linear sets. Raises ``FitError`` where the readings do not
    determine all parameters or leave no degree of freedom.
    """
    design = np.asarray(design, dtype=float)
    observed = np.asarray(observed, dtype=float)
    n, k = design.shape
    if n <= k:
        raise FitError(f"{n} readings cannot determine {k} parameters and their scatter; take at least {k + 3}")
    scale = np.linalg.norm(design, axis=0)
    if not np.all(scale > 0):
        raise FitError("one of the terms to be fitted never varies from zero in these readings")
    q, r = np.linalg.qr(design / scale)
    if np.min(np.abs(np.diag(r))) < 1e-12:
        raise FitError("the readings do not vary enough to tell the parameters apart")
    values = np.linalg.solve(r, q.T @ observed)
    # One step of iterative refinement recovers the digits lost to an ill-conditioned design.
    values = values + np.linalg.solve(r, q.T @ (observed - (design / scale) @ values))
    residuals = observed - (design / scale) @ values
    r_inverse = np.linalg.solve(r, np.eye(k))
    unscaled = (r_inverse @ r_inverse.T) / np.outer(scale, scale)
    return _with_scatter(values / scale, unscaled, residuals, n - k, ordered)


def nonlinear_fit(
    model: Callable[[np.ndarray], np.ndarray],
    observed: np.ndarray,
    start: np.ndarray,
    *,
    ordered: bool = False,
    bounds: tuple[np.ndarray, np.ndarray] | None = None,
) -> Estimates:
    """Fit ``observed`` ``(n,)`` by ``model(values)`` from ``start`` ``(k,)``, unweighted.

    Raises ``FitError`` if the fit does not converge or ends on a bound.
    """
    from scipy.optimize import least_squares

    observed = np.asarray(observed, dtype=float)
    start = np.asarray(start, dtype=float)
    n, k = observed.size, start.size
    if n <= k:
        raise FitError(f"{n} readings cannot determine {k} parameters and their scatter; take at least {k + 3}")

    def difference(values: np.ndarray) -> np.ndarray:
        return model(values) - observed

    solution = least_squares(
        difference,
        start,
        method="lm" if bounds is None else "trf",
        bounds=(-np.inf, np.inf) if bounds is None else bounds,
        x_scale="jac",
        ftol=1e-13,
        xtol=1e-13,
        gtol=1e-13,
        max_nfev=2000 * (k + 1),
    )
    if solution.status <= 0 or not np.isfinite(solution.x).all():
        raise FitError("the fit did not converge; look at the plot of the readings")
    if bounds is not None and np.any(solution.active_mask != 0):
        raise FitError("the fit ended at the edge of what is physically possible; look at the plot of the readings")
    scale = np.linalg.norm(np.asarray(solution.jac), axis=0)
    if not np.all(scale > 0):
        raise FitError("the readings do not depend on one of the parameters")
    _, r = np.linalg.qr(np.asarray(solution.jac) / scale)
    if np.min(np.abs(np.diag(r))) < 1e-12:
        raise FitError("the readings do not vary enough to tell the parameters apart")
    r_inverse = np.linalg.solve(r, np.eye(k))
    unscaled = (r_inverse @ r_inverse.T) / np.outer(scale, scale)
    return _with_scatter(solution.x, unscaled, -solution.fun, n - k, ordered)


def _with_scatter(
    values: np.ndarray, unscaled: np.ndarray, residuals: np.ndarray, dof: int, ordered: bool
) -> Estimates:
    variance = float(residuals @ residuals) / dof
    inflation = correlation_time(residuals) if ordered else 1.0
    return Estimates(
        values, unscaled * variance * inflation, residuals, float(np.sqrt(variance)), dof / inflation, inflation
    )


def correlation_time(residuals: np.ndarray) -> float:
    """Return the integrated autocorrelation time of a series in samples, at least 1.

    Averages over n samples of such a series scatter like averages over n / time independent ones. The sum of
    autocorrelations stops at the window of Sokal's rule (window >= 5 times the time so far), as in Wolff,
    Comput. Phys. Commun. 156 (2004) 143. For white residuals the estimate is 1 within its own scatter.
    """
    x = np.asarray(residuals, dtype=float)
    x = x - x.mean()
    n = x.size
    power = float(x @ x)
    if n < 16 or power == 0:
        return 1.0
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(x, size)
    correlation = np.fft.irfft(spectrum * np.conj(spectrum), size)[: n // 2] / power
    time = 1.0 + 2.0 * np.cumsum(correlation[1:])
    window = np.arange(1, time.size + 1) >= 5.0 * np.maximum(time, 1.0)
    stop = int(np.argmax(window)) if window.any() else time.size - 1
    return float(max(1.0, time[stop]))
