"""A six-step bridge and its motor in periodic steady state: the DC current, torque and copper loss with their ripple.

``V = Ke w + 2 R I`` holds for a winding without inductance whose current is smooth. A real phase takes time to give its
current up to the next one, which costs voltage (the commutation drop), and what the EMF lacks or exceeds of the supply
drives a ripple, which heats the winding. Both follow here from the equations of the three phases without an iteration
over turns: within a stage the currents are sums of sines and one exponential.

A sector is a sixth of an electrical turn. At its beginning the current leaves one phase for another while the third
keeps its own; the leaving phase conducts through a diode to the opposite line until its current is gone (the
*overlap*), then two phases in series carry one current. By symmetry the current at the end of a sector is that with
which the next one begins. For a given speed and overlap this is linear in current and voltage, so the overlap is what
is solved for.

Assumed: equal phases, equal inductance in d and q axis, switches that conduct both ways, a supply that keeps its
voltage over a sector, full duty. Angles are electrical, in rad. Source of the circuit equations: P. C. Krause et al.,
Analysis of Electric Machinery and Drive Systems, chapter on brushless DC machines (the voltage equations of three
phases); N. Mohan, T. M. Undeland, W. P. Robbins, Power Electronics, chapter on line-frequency rectifiers (overlap and
its voltage drop).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import FitError

Values = float | np.ndarray

SECTOR = np.pi / 3
#: Nodes and weights of the quadrature over a stage: exact to rounding for stages of up to a sixth of a turn.
_NODES, _WEIGHTS = (part / 2 for part in np.polynomial.legendre.leggauss(12))
_NODES = _NODES + 0.5
#: The overlap is sought to just short of a whole sector; beyond it three phases conduct all the time.
_LONGEST = SECTOR * (1 - 1e-9)


@dataclass(frozen=True)
class Winding:
    """A motor at its terminals, per phase in star: resistance (ohm), inductance (H), line EMF over mechanical speed.

    Each value may be an array ``(n,)``: then that many windings are solved at once, one for each operating point.
    ``emf`` is the amplitude of the fundamental of the line-to-line EMF in V s/rad; ``harmonics`` gives those of order
    5, 7, 11, 13 ... over it, in phase with the crest of the fundamental (negative: against it). Multiples of three
    cancel between lines. ``pole_pairs`` counts electrical turns in one of the shaft whose speed is meant. ``advance``
    is the electrical angle by which the switching leads the best one.
    """

    resistance: Values
    inductance: Values
    emf: Values
    pole_pairs: Values
    harmonics: Mapping[int, Values] = field(default_factory=dict)
    advance: Values = 0.0

    def emf_dc(self) -> Values:
        """Return the DC EMF constant (V s/rad): the mean of the line EMF over the 60 degrees around its crest.

        (3/pi) sum_n a_n (2/n) sin(n pi/6).
        """
        share = sum(a * (6 / np.pi) * np.sin(n * np.pi / 6) / n for n, a in self.orders())
        return self.emf * share

    def values(self) -> tuple[Values, ...]:
        """Return all values, for their shapes."""
        return (self.resistance, self.inductance, self.emf, self.pole_pairs, self.advance, *self.harmonics.values())

    def orders(self) -> tuple[tuple[int, Values], ...]:
        """Return the orders of the line EMF with their amplitudes over the fundamental."""
        return ((1, 1.0), *self.harmonics.items())


def from_dc(
    emf_dc: Values,
    resistance: Values,
    inductance: Values,
    pole_pairs: Values,
    harmonics: Mapping[int, Values],
    advance: Values = 0.0,
) -> Winding:
    """Return the winding with the DC EMF constant ``emf_dc`` (V s/rad) and this shape."""
    one = Winding(resistance, inductance, 1.0, pole_pairs, harmonics, advance)
    return replace(one, emf=emf_dc / one.emf_dc())


@dataclass(frozen=True)
class Steady:
    """One or many operating points, each field ``(n,)``: means over a sector, which are means over a turn.

    ``voltage`` (V) and ``current`` (A) at the DC terminals of the bridge, ``torque`` (N m) of the EMF, ``copper`` (W)
    in the three phases, ``overlap`` (rad; negative where the leaving current flows backward).
    """

    voltage: np.ndarray
    current: np.ndarray
    torque: np.ndarray
    copper: np.ndarray
    overlap: np.ndarray


def steady(winding: Winding, speed: Values, overlap: Values) -> Steady:
    """Return the steady state with this ``speed`` (rad/s mechanical, > 0) and ``overlap`` (rad), both ``(n,)``.

    The voltage follows: this is the solution from which all others are sought.
    """
    w, mu = np.broadcast_arrays(np.asarray(speed, dtype=float), np.asarray(overlap, dtype=float))
    return _Sector(winding, w, mu).means()


def at_voltage(winding: Winding, speed: Values, voltage: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) and DC ``voltage`` (V). Raises ``FitError`` where there is none."""
    return where(winding, speed, lambda state: state.voltage, voltage)


def at_current(winding: Winding, speed: Values, current: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) with the mean DC ``current`` (A). Raises ``FitError`` likewise."""
    return where(winding, speed, lambda state: state.current, current)


def at_torque(winding: Winding, speed: Values, torque: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) with the mean ``torque`` (N m). Raises ``FitError`` likewise."""
    return where(winding, speed, lambda state: state.torque, torque)


def where(winding: Winding, speed: Values, of: Callable[[Steady], np.ndarray], target: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) in which ``of`` it is ``target``.

    ``of`` is a sum of voltage, currents and torque with positive factors, so it grows with the overlap. Raises
    ``FitError`` where no overlap gives the target.
    """
    from scipy.optimize.elementwise import find_root

    w, goal = np.broadcast_arrays(np.asarray(speed, dtype=float), np.asarray(target, dtype=float))
    shape = np.broadcast_shapes(w.shape, *(np.shape(value) for value in winding.values()))
    w, goal = np.broadcast_to(w, shape), np.broadcast_to(goal, shape)
    if not np.all(w > 0):
        raise FitError("a bridge is solved for a turning motor only; the speed must be above zero")
    tried = np.zeros(shape)

    def beyond(overlap: np.ndarray, place: np.ndarray) -> np.ndarray:
        # The search goes on with those not yet found; what is sought may belong to each of them, so all are solved.
        tried.flat[place] = overlap
        sector = _Sector(winding, w, tried)
        # Towards one overlap voltage and currents grow without end, as their common divisor falls to zero.
        return np.asarray((of(sector.means()) - goal) * sector.divisor).flat[place]

    places = np.arange(w.size).reshape(shape)
    short = beyond(tried, places) < 0
    # At low speed a current decays within a small angle; nothing happens beyond.
    decay = winding.pole_pairs * w * winding.inductance / winding.resistance
    longest = np.minimum(_LONGEST, 200 * decay)
    found = find_root(
        beyond, (np.where(short, 0.0, -longest), np.where(short, _ends(winding, w, longest), 0.0)), args=(places,)
    )
    if not np.all(found.success):
        raise FitError(
            "no steady state of a six-step bridge fits this operating point; check voltage, speed and the winding's "
            "constants"
        )
    return steady(winding, w, found.x)


def _ends(winding: Winding, speed: np.ndarray, longest: np.ndarray) -> np.ndarray:
    """Return the overlap (rad) short of which voltage and currents grow without end, at most ``longest``.

    Beyond it the same currents come again with the other sign of the divisor, which no bridge has.
    """
    from scipy.optimize.elementwise import find_root

    turned = _Sector(winding, speed, longest).divisor < 0
    if not np.any(turned):
        return longest
    tried = np.zeros(speed.shape)

    def divisor(overlap: np.ndarray, place: np.ndarray) -> np.ndarray:
        tried.flat[place] = overlap
        with np.errstate(divide="ignore", invalid="ignore"):  # voltage and currents at the end itself
            return np.asarray(_Sector(winding, speed, tried).divisor.flat[place])

    places = np.arange(speed.size).reshape(speed.shape)
    found = find_root(divisor, (np.zeros(speed.shape), longest), args=(places,))
    return np.where(turned, found.x * (1 - 1e-9), longest)


class _Sector:
    """The two stages of a sector: currents as functions of the angle from its beginning.

    The line EMF of the conducting pair stands at its crest in the middle; that of keeping to leaving phase is a sector
    ahead, that of leaving to arriving phase a sector behind. Each current is a share of V/R, a forced part from the
    EMF (phasors over the orders) and an exponential from its value at the beginning of the stage.
    """

    def __init__(self, winding: Winding, speed: np.ndarray, overlap: np.ndarray) -> None:
        self.winding, self.speed, self.overlap = winding, speed, overlap
        self.length, backward = np.abs(overlap), overlap < 0
        self.backward = backward
        omega = winding.pole_pairs * speed
        self.rho = winding.resistance / (omega * winding.inductance)  # decay over a radian
        self.order = np.array([n for n, _ in winding.orders()])
        shape = np.stack([np.broadcast_to(winding.emf * a, speed.shape) for _, a in winding.orders()], axis=-1)
        impedance = _column(winding.resistance) + 1j * self.order * _column(omega * winding.inductance)
        driven = -shape * speed[..., None] / impedance
        self.amplitude = shape
        ahead, behind = np.exp(1j * self.order * SECTOR), np.exp(-1j * self.order * SECTOR)
        self.keeping, self.leaving, self.pair = driven * (ahead + 1) / 3, driven * (ahead - behind) / 3, driven / 2
        self.behind = behind
        # Shares of V/R: forward the leaving phase is held at the line of the keeping one, backward at the other.
        self.keeping_share, self.leaving_share = np.where(backward, 2 / 3, 1 / 3), np.where(backward, 1 / 3, -1 / 3)
        self._close()

    def turned(self, angle: np.ndarray, nodes: int = 0) -> np.ndarray:
        """Return exp(j n x) ``(..., orders)`` at ``angle`` from the beginning of the sector (one more axis: nodes)."""
        advance = np.asarray(self.winding.advance)
        if nodes and advance.ndim:
            advance = advance[..., None]
        once = np.exp(1j * (angle - SECTOR / 2 + advance))
        # Powers by multiplication: an exponential of each order would be most of the work.
        powers = [once]
        for _ in range(int(self.order.max()) - 1):
            powers.append(powers[-1] * once)
        return np.stack([powers[n - 1] for n in self.order], axis=-1)

    def _close(self) -> None:
        """Find voltage and starting current that make the end of the sector the beginning of the next."""
        r, mu = self.winding.resistance, self.length
        begin, reached, end = (self.turned(x) for x in (np.zeros_like(mu), mu, np.full_like(mu, SECTOR)))
        fade, rest = np.exp(-self.rho * mu), np.exp(-self.rho * (SECTOR - mu))
        # The leaving current is gone at mu: fade * start = gone + gone_v V.
        gone_v = self.leaving_share / r * (fade - 1)
        gone = _forced(self.leaving, begin) * fade - _forced(self.leaving, reached)
        # The keeping current at mu, and the pair's at the end of the sector, less the start; times fade.
        at_mu_v = self.keeping_share / r * (1 - fade) + gone_v
        at_mu = _forced(self.keeping, reached) - _forced(self.keeping, begin) * fade + gone
        end_v = (0.5 / r * (1 - rest) + at_mu_v * rest) * fade - gone_v
        end_0 = (_forced(self.pair, end) - _forced(self.pair, reached) * rest + at_mu * rest) * fade - gone
        self.divisor = end_v
        self.voltage = -end_0 / end_v
        self.start = (gone + gone_v * self.voltage) / fade

    def means(self) -> Steady:
        """Return the means over the sector, by quadrature over each stage."""
        v_r, rho = _column(self.voltage / self.winding.resistance), _column(self.rho)
        start, mu, amplitude = _column(self.start), _column(self.length), self.amplitude[..., None, :]
        keep_v, leave_v = _column(self.keeping_share) * v_r, _column(self.leaving_share) * v_r
        begin, at_mu = self.turned(np.zeros_like(mu), 1), self.turned(mu, 1)
        first = start - keep_v - _forced(self.keeping, begin, 1)
        last = start - leave_v - _forced(self.leaving, begin, 1)
        # The leaving phase conducts.
        x = mu * _NODES
        wave, fade = self.turned(x, 1), np.exp(-rho * x)
        i = keep_v + _forced(self.keeping, wave, 1) + first * fade
        j = leave_v + _forced(self.leaving, wave, 1) + last * fade
        weight = mu * _WEIGHTS
        emf = (wave * amplitude).real.sum(axis=-1)
        emf_behind = (wave * amplitude * self.behind).real.sum(axis=-1)
        torque = (weight * (emf * i - emf_behind * j)).sum(axis=-1)
        square = (weight * (i**2 + j**2 + (i - j) ** 2)).sum(axis=-1)
        # Forward the leaving phase gives its current back to the supply line that feeds the keeping one.
        charge = (weight * np.where(_column(self.backward), i, i - j)).sum(axis=-1)
        # The pair conducts.
        span = SECTOR - mu
        y = mu + span * _NODES
        wave = self.turned(y, 1)
        reached = keep_v + _forced(self.keeping, at_mu, 1) + first * np.exp(-rho * mu)
        current = (
            0.5 * v_r
            + _forced(self.pair, wave, 1)
            + (reached - 0.5 * v_r - _forced(self.pair, at_mu, 1)) * np.exp(-rho * (y - mu))
        )
        weight = span * _WEIGHTS
        torque = torque + (weight * (wave * amplitude).real.sum(axis=-1) * current).sum(axis=-1)
        square = square + (weight * 2 * current**2).sum(axis=-1)
        charge = charge + (weight * current).sum(axis=-1)
        copper = self.winding.resistance * square / SECTOR
        return Steady(self.voltage, charge / SECTOR, torque / SECTOR, copper, self.overlap)


def _forced(phasors: np.ndarray, turned: np.ndarray, nodes: int = 0) -> np.ndarray:
    """Return the forced current of ``phasors`` ``(..., orders)`` at the angles of ``turned`` (one more axis: nodes)."""
    spread = phasors[..., None, :] if nodes else phasors
    return np.asarray((spread * turned).real.sum(axis=-1))


def _column(values: Values) -> np.ndarray:
    return np.asarray(values)[..., None]
