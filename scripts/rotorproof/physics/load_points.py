"""Operating points under load: losses as a surface over torque and speed, and readings that cannot be right."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from .regression import Estimates, linear_fit

_HARMLESS = 0.005  # of the voltage: a reading nearer to its line is never called a slip
_OUTLYING = 6.0  # robust standard deviations beyond which a supply reading is taken for a slip


def suspect_supply(voltage: np.ndarray, current: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which supply voltages ``(n,)`` cannot be right, and the voltage each should have been near.

    A supply sags in a straight line with current: a line is laid through the readings by the median of all pairwise
    slopes (Theil-Sen), and a reading further from it than six robust standard deviations (1.4826 times the median
    absolute deviation) is suspect. With fewer than eight readings, or a supply that was set to different voltages on
    purpose, none is.
    """
    v, i = np.asarray(voltage, dtype=float), np.asarray(current, dtype=float)
    none = np.zeros(v.size, bool)
    if v.size < 8:
        return none, v
    first, second = np.triu_indices(v.size, 1)
    run = i[second] - i[first]
    apart = np.abs(run) > 1e-6 * max(float(np.ptp(i)), 1e-12)
    slope = float(np.median((v[second] - v[first])[apart] / run[apart])) if apart.any() else 0.0
    expected = float(np.median(v - slope * i)) + slope * i
    residual = np.abs(v - expected)
    steps = np.diff(np.unique(v))
    resolution = float(steps.min()) if steps.size else 0.0
    least = max(3 * resolution, _HARMLESS * float(np.median(np.abs(v))))
    return residual > max(_OUTLYING * 1.4826 * float(np.median(residual)), least), expected


@dataclass(frozen=True)
class LossSurface:
    """Losses (W) as a polynomial over speed and torque, fitted to operating points.

    ``powers`` lists the exponents (of speed, of torque) of its terms, in units of ``speed_scale`` and ``torque_scale``.
    """

    estimates: Estimates
    powers: tuple[tuple[int, int], ...]
    speed_scale: float
    torque_scale: float

    def design(self, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
        """Return the terms at points ``(n,)`` as ``(n, k)``."""
        x, y = np.asarray(speed) / self.speed_scale, np.asarray(torque) / self.torque_scale
        return np.column_stack([x**p * y**q for p, q in self.powers])

    def loss(self, speed: np.ndarray, torque: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return loss and its standard uncertainty from scatter (W), each ``(n,)``."""
        terms = self.design(speed, torque)
        variance = np.einsum("ni,ij,nj->n", terms, self.estimates.covariance, terms)
        return terms @ self.estimates.values, np.sqrt(np.maximum(variance, 0.0))

    def efficiency(self, speed: np.ndarray, torque: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return efficiency and its standard uncertainty from scatter at points ``(n,)``."""
        loss, u = self.loss(speed, torque)
        out = np.asarray(speed) * np.asarray(torque)
        return out / (out + loss), out * u / (out + loss) ** 2


_GRID_POWERS = ((0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (0, 2))
_LINE_POWERS = ((0, 0), (0, 1), (0, 2))


def is_line(speed: np.ndarray, torque: np.ndarray) -> bool:
    """Tell whether points ``(n,)`` lie on one characteristic (speed a smooth function of torque) or over a grid."""
    if speed.size < 4 or np.ptp(torque) == 0:
        return True
    y = (torque - torque.mean()) / np.ptp(torque)
    off = speed - np.polyval(np.polyfit(y, speed, 2), y)
    return bool(np.std(off) < 0.02 * float(np.max(np.abs(speed))))


def loss_surface(speed: np.ndarray, torque: np.ndarray, loss: np.ndarray) -> LossSurface:
    """Fit losses (W) at points ``(n,)``: a full quadratic over a grid, a quadratic in torque along one characteristic.

    Standby power and core loss, friction, switching and winding loss are of second order in speed and torque at most.
    Raises ``FitError`` with too few points.
    """
    powers = _LINE_POWERS if is_line(speed, torque) else _GRID_POWERS
    if speed.size < len(powers) + 3:
        raise FitError(
            f"{speed.size} operating points do not determine the losses; take at least {len(powers) + 3} spread over "
            "torque and speed"
        )
    scales = float(np.max(np.abs(speed))), float(np.max(np.abs(torque)))
    empty = LossSurface(Estimates(np.zeros(0), np.zeros((0, 0)), np.zeros(0), 0.0, 0.0), powers, *scales)
    design = empty.design(speed, torque)
    fitted = linear_fit(design, loss)
    return LossSurface(replace(fitted, covariance=_uneven_covariance(design, fitted)), powers, *scales)


def _uneven_covariance(design: np.ndarray, fitted: Estimates) -> np.ndarray:
    """Return the covariance of a linear fit whose readings scatter unevenly: torque noise times speed grows with speed.

    The estimator HC3 of MacKinnon and White, J. Econometrics 29 (1985) 305: each residual, enlarged for the pull of its
    own point, stands for that point's variance.
    """
    inverse = np.linalg.inv(design.T @ design)
    pull = np.einsum("ni,ij,nj->n", design, inverse, design)
    weighted = design * (fitted.residuals / np.maximum(1.0 - pull, 1e-3))[:, None]
    return inverse @ (weighted.T @ weighted) @ inverse


def torque_noise_share(speed: np.ndarray, level: np.ndarray, residuals: np.ndarray) -> float:
    """Return the share of the variance of power residuals that grows with the square of speed, between 0 and 1.

    A torque reading's noise is a power in proportion to ``speed``, a current reading's one in proportion to ``level``
    (the supply voltage), all ``(n,)``. The share is the mean of its likelihood for normal ``residuals`` (W), level and
    scale unknown: many points tell it, few leave it near one half.
    """
    share = np.linspace(0.0, 0.98, 50)[:, None]
    variance = (1.0 - share) * level**2 / np.mean(level**2) + share * speed**2 / np.mean(speed**2)
    fit = -0.5 * np.sum(np.log(variance), axis=1) - 0.5 * speed.size * np.log(np.mean(residuals**2 / variance, axis=1))
    likelihood = np.exp(fit - fit.max())
    return float(share[:, 0] @ likelihood / likelihood.sum())


def power_noise(speed: np.ndarray, level: np.ndarray, share: float) -> np.ndarray:
    """Return the relative noise ``(n,)`` of power readings by their ``torque_noise_share``; arguments as there.

    sqrt((1 - share) level^2/mean(level^2) + share speed^2/mean(speed^2)).
    """
    return np.sqrt((1.0 - share) * level**2 / np.mean(level**2) + share * speed**2 / np.mean(speed**2))


def inside_hull(speed: np.ndarray, torque: np.ndarray, at_speed: np.ndarray, at_torque: np.ndarray) -> np.ndarray:
    """Return which of the points ``(m,)`` lie within the convex hull of the measured ones ``(n,)``."""
    from scipy.spatial import ConvexHull

    scale = np.array([float(np.ptp(speed)), float(np.ptp(torque))])
    edges = ConvexHull(np.column_stack([speed, torque]) / scale).equations
    distances = edges[:, :2] @ (np.column_stack([at_speed, at_torque]) / scale).T + edges[:, 2:]
    return np.all(distances <= 1e-9, axis=0)


def torque_line(
    current: np.ndarray, torque: np.ndarray, speed: np.ndarray | None, *, bend: int | None = None
) -> Estimates:
    """Fit ``torque = k current - c (- b speed) (- f current (current/I_max)^(bend - 1))``; values ``[k, c(, b)(, f)]``.

    ``speed`` is left out (``None``) where it follows from the current, as on one characteristic at fixed voltage. The
    last term is that of iron that saturates: torque is odd in the current, so ``bend`` is 3, or 5 for a harder knee;
    ``k`` is then the slope at small current. It is left out without ``bend``.
    """
    columns = [current, -np.ones_like(current)]
    if speed is not None:
        columns.append(-speed)
    if bend is not None:
        columns.append(-current * np.abs(current / np.max(np.abs(current))) ** (bend - 1))
    return linear_fit(np.column_stack(columns), torque)


def torque_bends(current: np.ndarray, torque: np.ndarray, speed: np.ndarray | None) -> float | None:
    """Return by how much another shape of bend moves the slope at small current; ``None`` where torque does not bend.

    It does where the cubic term of ``torque_line`` lies more than three standard uncertainties above zero. Points too
    few to tell show none.
    """
    if current.size < 8:
        return None
    cubic = torque_line(current, torque, speed, bend=3)
    if not cubic.values[-1] > 3.0 * np.sqrt(cubic.covariance[-1, -1]):
        return None
    harder = torque_line(current, torque, speed, bend=5)
    return abs(float(cubic.values[0] - harder.values[0]))
