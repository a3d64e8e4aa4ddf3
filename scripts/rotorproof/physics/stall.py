"""Torque at standstill against current: the slope at small current, and where the iron bends it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from .regression import Estimates, linear_fit, nonlinear_fit

BLUNTEST = 0.7  # the least sharpness of a bend that is fitted
DROP = 0.1  # the fall of torque per ampere that marks saturation
_BEYOND = 0.2  # readings further down the bend than this say nothing of the slope or of the mark
#: What another shape of bend does to mean slope and mark at least, as shares of them: found with a straight line that
#: turns into a flatter one at a knee, which no member of the family is.
_SHAPE = (0.004, 0.025)
_SHARPEST = 30.0  # the greatest sharpness of a bend that is fitted
_NODES, _STEPS = 25, 6
_LEAST_FALL = 1e-6
_PLACED = 1 / 3  # a standard uncertainty of the mark's logarithm: twice that is half to double
_NEARER = 0.14  # a second fit stops here; where the two differ the shape is not quite the motor's


#: Logarithm of the sharpness that bends have, and its standard deviation: iron whose field the current crosses bends
#: with the square of it at first (2), or keeps straight up to a knee (8); most readings do not tell (common practice).
_USUAL, _SPREAD = float(np.log(3.0)), 0.5


@dataclass(frozen=True)
class StallFit:
    """Torque over current with one offset and slope per rotor position, and a common bend.

    ``estimates.values`` holds m offsets (N m), m slopes (N m/A) and, with a bend, its current at a fall of 10 % (A) and
    its sharpness; without one, a cubic term (N m/A^3), which readings do not tell from none. With a bend they are means
    over the sharpnesses ``nodes`` ``(k,)`` (as logarithms), by their likelihood: see ``_averaged``. ``used`` tells
    which readings were fitted. ``doubt`` is how far mean slope and mark move when the fit stops nearer to the mark.
    ``fall`` is the share by which torque per ampere has fallen at the highest current fitted, and its variance, with a
    bend by the same means.
    """

    estimates: Estimates
    positions: int
    used: np.ndarray
    bent: bool
    nodes: np.ndarray | None = None
    doubt: tuple[float, float] = (0.0, 0.0)
    fall: tuple[float, float] | None = None

    @property
    def placed(self) -> bool:
        """Tell whether the readings place the fall of 10 %: an interval from half to double of it places nothing."""
        return self.bent and bool(np.sqrt(self.estimates.covariance[-2, -2]) < _PLACED * self.estimates.values[-2])

    @property
    def slopes(self) -> np.ndarray:
        """Return torque per ampere at small current, one per position (N m/A)."""
        return self.estimates.values[self.positions : 2 * self.positions]

    @property
    def bend(self) -> np.ndarray | None:
        """Return the current at which torque per ampere has fallen by 10 %, and the sharpness; ``None`` if straight."""
        return self.estimates.values[2 * self.positions :] if self.bent else None

    def torque_per_slope(self, current: np.ndarray, slope: float) -> np.ndarray:
        """Return the torque (N m) of the fit at ``current`` ``(n,)`` (A) for one of its slopes, offset removed."""
        rest = self.estimates.values[2 * self.positions :]
        if self.bent:
            return slope * current * share_left(current, *rest)
        return slope * current + (rest[0] * current**3 if rest.size else 0.0)


@dataclass(frozen=True)
class Fall:
    """The share by which torque per ampere has fallen at the highest current, where no bend tells where it began.

    ``variance`` with its ``freedom`` is that of scatter, ``doubt`` the half-width of what the shape may do to it.
    """

    share: float
    variance: float
    freedom: float
    doubt: float


def fall(current: np.ndarray, torque: np.ndarray, position: np.ndarray, fitted: StallFit) -> Fall:
    """Return by which share torque per ampere has fallen at the largest ``current``; arrays ``(n,)`` as ``fitted``.

    With a bend it is the mean over the sharpnesses that are likely. Without one it is that of ``torque = offset_j +
    slope_j I + k I^3``, and may come out on either side of zero. In either case iron that bends from the start,
    ``torque = offset_j + slope_j I - k |I| I`` (Froehlich's curve at a small fall), falls further than what keeps
    straight at first, and readings that place no bend hardly tell: how far apart the two come out is the doubt, and
    where no bend shows the scatter is that of the blunt one, which is the greater.
    """
    mark = (position[:, None] == np.arange(fitted.positions)).astype(float)
    x = current / float(np.max(np.abs(current)))
    blunt, variance, freedom = _fall_of_power(x, torque, mark, np.abs(x) * x)
    if fitted.fall is not None:
        share, own = fitted.fall
        return Fall(share, own, fitted.estimates.degrees_of_freedom, abs(blunt - share))
    share, _, _ = _fall_of_power(x, torque, mark, x**3)
    return Fall(share, variance, freedom, abs(blunt - share))


def _fall_of_power(
    x: np.ndarray, torque: np.ndarray, mark: np.ndarray, power: np.ndarray
) -> tuple[float, float, float]:
    """Return the fall at ``x`` = 1 by straight lines and one ``power`` of x, its variance and freedom."""
    fitted = linear_fit(np.column_stack([mark, mark * x[:, None], power]), torque)
    count = mark.shape[1]
    slope = float(np.mean(fitted.values[count : 2 * count]))
    return -fitted.values[-1] / slope, float(fitted.covariance[-1, -1]) / slope**2, fitted.degrees_of_freedom


def share_left(current: float | np.ndarray, mark: float | np.ndarray, sharpness: float | np.ndarray) -> np.ndarray:
    """Return torque per ampere over its value at small current: ``(1 + (I/I_s)^n)^(-1/n)``.

    ``mark`` (A) is where it is 0.9, ``sharpness`` n: 1 bends all the way, 8 keeps straight up to a knee. This family
    joins the straight line to a constant and is used as a shape only, within a fall of 20 %.
    """
    n = sharpness
    return np.asarray((1.0 + ((1 - DROP) ** -n - 1.0) * np.abs(current / mark) ** n) ** (-1.0 / n))


def step_share(late: float, placement: Sequence[float] | np.ndarray, fifth: float, seventh: float) -> float:
    """Return the mean of the EMF between the edges of steps that come late, over that between the best ones.

    ``late`` (rad, electrical) is common to all edges, ``placement`` what each sensor adds, harmonics as shares of the
    fundamental in phase with its crest. A step holds the crest ``e(x) = cos x + h5 cos 5x + h7 cos 7x`` of a line from
    -30 to 30 degrees; with edges e_j late, the mean over a turn is that of ``F(pi/6 + e_j) + F(pi/6 - e_j)``, F the
    integral of e. For a sine and one lateness it is its cosine (mathematics).
    """

    def area(x: np.ndarray) -> np.ndarray:
        return np.asarray(np.sin(x) + fifth / 5.0 * np.sin(5.0 * x) + seventh / 7.0 * np.sin(7.0 * x))

    edge, away = np.array(np.pi / 6.0), late + np.asarray(placement, dtype=float)
    return float(np.mean(area(edge + away) + area(edge - away)) / (2.0 * area(edge)))


def fit_stall(current: np.ndarray, torque: np.ndarray, position: np.ndarray, like: StallFit | None = None) -> StallFit:
    """Fit ``torque = offset_j + slope_j I share_left(I)``, or with a cubic term where the readings show no bend.

    ``current``, ``torque`` ``(n,)``; ``position`` ``(n,)`` numbers the rotor positions from 0. The offsets take up
    cogging torque, the weight of the lever and the zero of the sensor. The bend is kept if a cubic term is more than
    three standard uncertainties below zero; its sharpness is that of most bends as far as the readings do not tell
    another, as if it had been observed (the weight of such an observation: JCGM 100:2008, 4.3). ``like`` repeats the
    choices of an earlier fit. Raises ``FitError`` with too few readings or none that vary.
    """
    x = np.asarray(current, dtype=float)
    scale = float(np.max(np.abs(x)))
    if scale == 0:
        raise FitError("the current is zero throughout; log torque at several currents")
    count = int(position.max()) + 1
    mark = (position[:, None] == np.arange(count)).astype(float)
    lines = np.hstack([mark, mark * x[:, None]])
    bent = _is_bent(x / scale, torque, mark) if like is None else like.bent
    if not bent:
        told = like.estimates.values.size > 2 * count if like else _can_bend(x, count)
        # A fall too small to be seen lowers the slope of a straight line all the same.
        design = np.hstack([lines, x[:, None] ** 3]) if told else lines
        return StallFit(linear_fit(design, torque), count, np.ones(x.size, bool), bent=False)
    if like is not None and like.nodes is not None:
        averaged, fall = _averaged(x, torque, mark, like.used, like.estimates, like.nodes)
        return StallFit(averaged, count, like.used, True, fall=fall)
    cubic = linear_fit(np.hstack([lines, (x[:, None] / scale) ** 3]), torque)
    slope, scatter = float(np.mean(cubic.values[count : 2 * count])) * scale, _scatter(x / scale, torque, lines)
    start = np.concatenate([cubic.values[:-1], [scale * np.sqrt(DROP * slope / -cubic.values[-1]), np.exp(_USUAL)]])
    keep = np.ones(x.size, bool)
    fitted = _bent(x, torque, mark, keep, start, scatter)
    keep = share_left(x, *fitted.values[-2:]) > 1 - _BEYOND
    if keep.sum() < fitted.values.size + 3:
        raise FitError(
            "most readings lie far down the bend, where torque per ampere has fallen by more than a fifth; "
            "take more readings at small current"
        )
    if not keep.all():
        fitted = _bent(x, torque, mark, keep, fitted.values, scatter)
    nodes = _nodes(fitted)
    averaged, fall = _averaged(x, torque, mark, keep, fitted, nodes)
    return StallFit(averaged, count, keep, True, nodes, _doubt(x, torque, mark, fitted, scatter), fall)


def _nodes(fitted: Estimates) -> np.ndarray:
    """Return logarithms of sharpness ``(k,)``, evenly over all that the fit and what is usual leave likely."""
    sharpness = float(fitted.values[-1])
    wide = 4.5 * min(np.sqrt(fitted.covariance[-1, -1]) / sharpness, _SPREAD)
    low, high = np.log(sharpness) - wide, np.log(sharpness) + wide
    return np.linspace(max(low, np.log(BLUNTEST)), min(high, np.log(_SHARPEST)), _NODES)


def _averaged(
    x: np.ndarray, torque: np.ndarray, mark: np.ndarray, keep: np.ndarray, fitted: Estimates, nodes: np.ndarray
) -> tuple[Estimates, tuple[float, float]]:
    """Return means and covariance over the sharpnesses that the readings and what is usual leave likely, and the fall.

    At each of the ``nodes`` the other parameters are fitted with the fall at the highest current in place of the mark,
    which is nearly linear; its weight is its likelihood with the scatter unknown, the other parameters integrated out
    (Laplace), times that of the usual sharpness (JCGM 101:2008, 6.2). A straight fit in the sharpness would not do:
    towards a blunt bend the slope at small current rises without end, towards a sharp one it hardly falls, so the value
    would lie low and its interval be too narrow. The means of the mark and the sharpness are those of their logarithms.
    """
    at = np.flatnonzero(keep)
    current, read, mark = x[at], torque[at], mark[at]
    count, reach = mark.shape[1], float(np.max(np.abs(current)))
    share, n = (np.abs(current) / reach)[None, :], np.exp(nodes)[:, None]
    lines = np.broadcast_to(mark, (nodes.size, *mark.shape))

    def left(fall: np.ndarray) -> np.ndarray:
        return np.asarray((1.0 + ((1.0 - fall[:, None]) ** -n - 1.0) * share**n) ** (-1.0 / n))

    fall = np.full(nodes.size, 1.0 - float(share_left(reach, *fitted.values[-2:])))
    for _ in range(_STEPS):
        # Offsets and slopes follow from the fall, which takes the step that all of them together ask for.
        kept, step = left(fall), 1e-5 * np.minimum(1.0, fall)
        rising = lines * (kept * current / reach)[:, :, None]
        straight = np.concatenate([lines, rising], axis=2)
        values = (np.linalg.pinv(straight) @ read[None, :, None])[..., 0]
        rest = read - (straight @ values[..., None])[..., 0]
        bends = (left(fall + step) - left(fall - step)) / (2.0 * step)[:, None]
        turned = (values[:, None, count:] @ (lines * (current / reach)[None, :, None]).transpose(0, 2, 1))[:, 0] * bends
        jacobian = np.concatenate([straight, turned[:, :, None]], axis=2)
        inverse = np.linalg.pinv(jacobian)
        fall = np.clip(fall + (inverse @ rest[..., None])[:, -1, 0], _LEAST_FALL, 0.6)
    unscaled = inverse @ inverse.transpose(0, 2, 1)
    freedom = current.size - 2 * count - 1
    squares = np.sum(rest**2, axis=1)
    likely = -0.5 * ((nodes - _USUAL) / _SPREAD) ** 2 + 0.5 * np.linalg.slogdet(unscaled)[1]
    likely -= 0.5 * freedom / fitted.inflation * np.log(np.maximum(squares, 1e-24 * float(read @ read)))
    weight = np.exp(likely - likely.max())
    weight /= weight.sum()
    # The current of a fall of 10 %, from the fall at the highest current.
    powers = n[:, 0]
    place = np.log(((1.0 - DROP) ** -powers - 1.0) / ((1.0 - fall) ** -powers - 1.0)) / powers
    by_fall = -((1.0 - fall) ** (-powers - 1.0)) / ((1.0 - fall) ** -powers - 1.0)
    each = np.column_stack([values[:, :count], values[:, count:] / reach, place, nodes])
    turn = np.zeros((nodes.size, 2 * count + 2, 2 * count + 1))
    turn[:, range(count), range(count)] = 1.0
    turn[:, range(count, 2 * count), range(count, 2 * count)] = 1.0 / reach
    turn[:, 2 * count, 2 * count] = by_fall
    within = turn @ unscaled @ turn.transpose(0, 2, 1)
    variance = float(weight @ squares) / freedom
    mean = weight @ each
    apart = each - mean
    covariance = fitted.inflation * variance * np.tensordot(weight, within, 1) + (weight[:, None] * apart).T @ apart
    mean[-2:] = reach * np.exp(mean[-2]), np.exp(mean[-1])
    scale = np.ones(mean.size)
    scale[-2:] = mean[-2:]
    bent = share_left(current, mean[-2], mean[-1])
    residuals = read - mark @ mean[:count] - (mark @ mean[count : 2 * count]) * current * bent
    least = float(weight @ fall)
    spread = fitted.inflation * variance * float(weight @ unscaled[:, -1, -1]) + float(weight @ (fall - least) ** 2)
    return replace(fitted, values=mean, covariance=covariance * np.outer(scale, scale), residuals=residuals), (
        least,
        spread,
    )


def _doubt(
    x: np.ndarray, torque: np.ndarray, mark: np.ndarray, fitted: Estimates, scatter: float
) -> tuple[float, float]:
    """Return half-widths for mean slope and mark: how far they move with the fitted range, ``_SHAPE`` at least."""
    count = mark.shape[1]
    slope, place = float(np.mean(fitted.values[count : 2 * count])), float(fitted.values[-2])
    floor = _SHAPE[0] * abs(slope), _SHAPE[1] * place
    nearer = share_left(x, *fitted.values[-2:]) > 1 - _NEARER
    if nearer.sum() < fitted.values.size + 3 or mark[nearer].sum(axis=0).min() < 2:
        return floor
    try:
        other = _bent(x, torque, mark, nearer, fitted.values, scatter)
    except FitError:  # too little of the bend is left: nothing to compare with
        return floor
    moved = abs(float(np.mean(other.values[count : 2 * count])) - slope), abs(float(other.values[-2]) - place)
    return max(moved[0], floor[0]), max(moved[1], floor[1])


def _scatter(x: np.ndarray, torque: np.ndarray, lines: np.ndarray) -> float:
    """Return what a reading scatters by (N m), about a curve that follows a bend of any shape."""
    curve = [np.abs(x) * x, x**3, np.abs(x) * x**3]
    return linear_fit(np.column_stack([lines, *curve]), torque).residual_sd


def _can_bend(x: np.ndarray, count: int) -> bool:
    """Tell whether readings at these currents, of so many positions, tell a bend from a line at all."""
    return x.size >= 2 * count + 4 and np.unique(np.round(np.abs(x), 2)).size >= 5


def _is_bent(x: np.ndarray, torque: np.ndarray, mark: np.ndarray) -> bool:
    count = mark.shape[1]
    if not _can_bend(x, count):
        return False
    cubic = linear_fit(np.hstack([mark, mark * x[:, None], x[:, None] ** 3]), torque)
    falls = -cubic.values[-1] * float(np.sign(np.mean(cubic.values[count : 2 * count])))
    return bool(falls > 3 * np.sqrt(cubic.covariance[-1, -1]))


def _bent(
    x: np.ndarray, torque: np.ndarray, mark: np.ndarray, keep: np.ndarray, start: np.ndarray, scatter: float
) -> Estimates:
    count = mark.shape[1]
    # In the order of the current, so that a shape that does not fit shows as correlation and widens the result.
    rows = np.flatnonzero(keep)[np.argsort(np.abs(x[keep]), kind="stable")]
    x, torque, mark = x[rows], torque[rows], mark[rows]
    reach = float(np.max(np.abs(x)))
    low = np.concatenate([np.full(2 * count, -np.inf), [0.05 * reach, BLUNTEST]])
    high = np.concatenate([np.full(2 * count, np.inf), [200.0 * reach, _SHARPEST]])
    weight = scatter / _SPREAD

    def model(p: np.ndarray) -> np.ndarray:
        fitted = mark @ p[:count] + (mark @ p[count : 2 * count]) * x * share_left(x, p[-2], p[-1])
        return np.append(fitted, weight * np.log(p[-1]))

    observed = np.append(torque, weight * _USUAL)
    fitted = nonlinear_fit(model, observed, np.clip(start, low + 1e-9, high - 1e-9), bounds=(low, high), ordered=True)
    return replace(fitted, residuals=fitted.residuals[:-1][np.argsort(rows, kind="stable")])
