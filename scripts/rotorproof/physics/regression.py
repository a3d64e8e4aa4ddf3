"""Least squares with honest scatter: linear and non-linear fits whose covariance allows for correlated noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

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
    their autocorrelation widens the covariance (see ``correlation_time``). Solved by a scaled QR
    decomposition, whose accuracy is checked against the NIST StRD linear sets. Raises ``FitError`` where the
    readings do not determine all parameters or leave no degree of freedom.
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

    The solver is MINPACK's Levenberg-Marquardt, or a trust region within ``bounds``. Where the first runs off
    to where a parameter no longer matters, a trust region is tried from the same start. Gauss-Newton steps
    with a central-difference Jacobian then polish values and covariance (checked against the NIST StRD
    non-linear sets from both of their starting points). Raises ``FitError`` if the fit does not converge or
    ends on a bound.
    """
    observed = np.asarray(observed, dtype=float)
    start = np.asarray(start, dtype=float)
    n, k = observed.size, start.size
    if n <= k:
        raise FitError(f"{n} readings cannot determine {k} parameters and their scatter; take at least {k + 3}")
    low, high = (np.full(k, -np.inf), np.full(k, np.inf)) if bounds is None else bounds

    def residuals(values: np.ndarray) -> np.ndarray:
        return observed - model(values)

    failure: FitError | None = None
    for method in ("lm", "trf") if bounds is None else ("trf",):
        try:
            found, jacobian = _solved(residuals, start, method, low, high)
            values, jacobian = _polished(residuals, found, jacobian, low, high)
            unscaled = _unscaled_covariance(jacobian)
        except FitError as error:
            failure = failure or error
        else:
            return _with_scatter(values, unscaled, residuals(values), n - k, ordered)
    assert failure is not None
    raise failure


def _solved(
    residuals: Callable[[np.ndarray], np.ndarray],
    start: np.ndarray,
    method: Literal["lm", "trf"],
    low: np.ndarray,
    high: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the solution ``(k,)`` and the Jacobian of the model ``(n, k)`` there."""
    from scipy.optimize import least_squares

    def difference(values: np.ndarray) -> np.ndarray:
        return -residuals(values)

    # Trial steps may overflow on their way; the solver backs off from what is not finite or not better.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        try:
            solution = least_squares(
                difference,
                start,
                method=method,
                bounds=(low, high),
                x_scale="jac",
                ftol=1e-13,
                xtol=1e-13,
                gtol=1e-13,
                max_nfev=2000 * (start.size + 1),
            )
        except ValueError as error:  # SciPy's word for residuals that are not finite at the start
            raise FitError("the fit did not converge; look at the plot of the readings") from error
    if solution.status <= 0 or not np.isfinite(solution.x).all() or not np.isfinite(solution.fun).all():
        raise FitError("the fit did not converge; look at the plot of the readings")
    if np.any(solution.active_mask != 0):
        raise FitError("the fit ended at the edge of what is physically possible; look at the plot of the readings")
    return np.asarray(solution.x), np.array(solution.jac)


def _polished(
    residuals: Callable[[np.ndarray], np.ndarray],
    values: np.ndarray,
    jacobian: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the minimum by at most five Gauss-Newton steps, and the Jacobian there by central differences.

    A solver's forward differences hold half the digits of a number, which shows in ill-conditioned
    covariances.
    """
    best = residuals(values)
    for _ in range(5):
        size = np.abs(values) + 1e-6 / np.maximum(np.linalg.norm(jacobian, axis=0), 1e-6)
        reach = np.cbrt(np.finfo(float).eps) * size
        if np.any(values - reach <= low) or np.any(values + reach >= high):
            return values, jacobian
        for i, h in enumerate(reach):
            step = np.zeros_like(values)
            step[i] = h
            up, down = values + step, values - step
            jacobian[:, i] = (residuals(down) - residuals(up)) / (up[i] - down[i])
        if not np.isfinite(jacobian).all():
            raise FitError("the fit did not converge; look at the plot of the readings")
        scale = np.linalg.norm(jacobian, axis=0)
        if not np.all(scale > 0):
            return values, jacobian
        change = np.linalg.lstsq(jacobian / scale, best, rcond=None)[0] / scale
        trial = values + change
        if np.any(trial <= low) or np.any(trial >= high):
            return values, jacobian
        left = residuals(trial)
        # Near the minimum the sum of squares is flat to rounding: a step that leaves it there is welcome.
        if not left @ left <= (best @ best) * (1 + 1e-9):
            return values, jacobian
        values, best = trial, left
        if np.all(np.abs(change) <= 1e-9 * size):
            return _settled(residuals, values, best, jacobian, low, high), jacobian
    return values, jacobian


def _settled(
    residuals: Callable[[np.ndarray], np.ndarray],
    values: np.ndarray,
    left: np.ndarray,
    jacobian: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
) -> np.ndarray:
    """Return the minimum to the last digits, from near it, by steps along the Jacobian that is already known.

    Where a fit stops decides in which digit two processors differ: steps are taken until they shrink no more, so
    that what is left is the rounding of the readings. Each costs one evaluation of the model.
    """
    scale = np.linalg.norm(jacobian, axis=0)
    q, r = np.linalg.qr(jacobian / scale)
    before = np.inf
    for _ in range(20):
        change = np.linalg.solve(r, q.T @ left) / scale
        length = float(np.linalg.norm(change * scale))
        trial = values + change
        if not length < 0.5 * before or np.any(trial <= low) or np.any(trial >= high):
            break
        values, left, before = trial, residuals(trial), length
    return values


def _unscaled_covariance(jacobian: np.ndarray) -> np.ndarray:
    """Return the inverse ``(k, k)`` of ``jacobian.T @ jacobian``. Raises ``FitError`` if there is none."""
    scale = np.linalg.norm(jacobian, axis=0)
    if not np.all(scale > 0):
        raise FitError("the readings do not depend on one of the parameters")
    _, r = np.linalg.qr(jacobian / scale)
    # Numerical derivatives are good to 1e-8: columns closer to dependent than 1e-7 differ by their errors
    # alone.
    if np.min(np.abs(np.diag(r))) < 1e-7:
        raise FitError("the readings do not vary enough to tell the parameters apart")
    r_inverse = np.linalg.solve(r, np.eye(scale.size))
    return (r_inverse @ r_inverse.T) / np.outer(scale, scale)


def _with_scatter(
    values: np.ndarray, unscaled: np.ndarray, residuals: np.ndarray, dof: int, ordered: bool
) -> Estimates:
    variance = float(residuals @ residuals) / dof
    inflation, freedom = 1.0, float(dof)
    if ordered:
        inflation, window = _autocorrelation(residuals, values.size)
        if inflation > 1:
            # The inflation is itself an estimate, of relative variance 2 (2 window + 1)/n (Madras and Sokal,
            # J. Stat. Phys. 50 (1988) 109); 2/nu is that of a variance with nu degrees of freedom.
            freedom = max(1.0, min(dof / inflation, residuals.size / (2 * window + 1)))
    return Estimates(values, unscaled * variance * inflation, residuals, float(np.sqrt(variance)), freedom, inflation)


def correlation_time(residuals: np.ndarray, fitted: int = 1) -> float:
    """Return the integrated autocorrelation time of a series ``(n,)`` in samples, at least 1.

    Averages over n samples of such a series scatter like averages over n / time independent ones. ``fitted``
    is the number of parameters that the residuals are left from (1: their mean). Below 16 samples there is
    nothing to tell from, and 1 is returned. See ``_autocorrelation``.
    """
    return _autocorrelation(residuals, fitted)[0]


def _autocorrelation(residuals: np.ndarray, fitted: int) -> tuple[float, int]:
    """Return the autocorrelation time and the window it was summed over.

    The sum of autocorrelations stops at the automatic window of Sokal (Monte Carlo Methods in Statistical
    Mechanics, 1997): the first that is 5 times the integrated time, which is half the time returned here. A
    fit takes slow wander out of its residuals, so each autocorrelation comes out low by about time/n per
    parameter; the sum is corrected for it as in Wolff, Comput. Phys. Commun. 156 (2004) 143, equation 49.
    """
    x = np.asarray(residuals, dtype=float)
    x = x - x.mean()
    n = x.size
    power = float(x @ x)
    if n < 16 or power == 0:
        return 1.0, 0
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(x, size)
    correlation = np.fft.irfft(spectrum * np.conj(spectrum), size)[: n // 2] / power
    time = 1.0 + 2.0 * np.cumsum(correlation[1:])
    enough = np.arange(1, time.size + 1) >= 2.5 * np.maximum(time, 1.0)
    stop = int(np.argmax(enough)) if enough.any() else time.size - 1
    window = stop + 1
    if time[stop] <= 1.0:
        return 1.0, window
    return float(time[stop]) * (1.0 + fitted * (2 * window + 1) / n), window


def jackknife_covariance(values: np.ndarray) -> np.ndarray:
    """Return the covariance ``(q, q)`` of an estimate from its ``(M, q)`` leave-one-block-out values.

    Efron and Stein, Ann. Statist. 9 (1981) 586. Blocks of a series must be longer than its correlation: then
    correlated noise is seen as it is.
    """
    m = len(values)
    centred = values - values.mean(axis=0)
    return np.asarray(centred.T @ centred * ((m - 1) / m))
