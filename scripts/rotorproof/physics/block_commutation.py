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
voltage over a sector, full duty. Angles are electrical, in rad; x counts from the beginning of the sector, mu is the
overlap, 0 <= |mu| < pi/3. With w the mechanical speed (rad/s), p the pole pairs, R (ohm) and L (H) of a phase, V the DC
voltage, i_k the keeping, i_l the leaving, i the pair's current (A), and e(x) = emf sum_n a_n cos n(x + advance - pi/6)
the line EMF of the conducting pair over the speed (V s/rad):

    0 < x < |mu|:      R i_k + p w L di_k/dx = s_k V - w (e(x + pi/3) + e(x))/3
                       R i_l + p w L di_l/dx = s_l V - w (e(x + pi/3) - e(x - pi/3))/3
    |mu| < x < pi/3:   2 R i + 2 p w L di/dx = V - w e(x)

with s_k = 1/3, s_l = -1/3 where the leaving current flows forward (mu > 0: through the diode to the keeping phase's
line) and 2/3, 1/3 where it flows backward (mu < 0). i_k and i_l begin with one value, i_l ends at 0, i goes on from i_k
and ends at the value that both began with.

Source of the circuit equations, both from memory with no section at hand: P. C. Krause et al., Analysis of Electric
Machinery and Drive Systems, chapter on brushless DC machines (the voltage equations of three phases); N. Mohan, T. M.
Undeland, W. P. Robbins, Power Electronics, chapter on line-frequency rectifiers (overlap and its voltage drop). That
they have a solution in closed form is worked out here; ``means`` of a sector gives torque and current.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from ..errors import FitError

Values = float | np.ndarray

SECTOR = np.pi / 3
_WHOLE = np.exp(1j * SECTOR)
#: The overlap is sought to just short of a whole sector; beyond it three phases conduct all the time.
_LONGEST = SECTOR * (1 - 1e-9)
_NONE_FITS = (
    "no steady state of a six-step bridge fits this operating point; check voltage, speed and the winding's constants"
)


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
    in the three phases, ``overlap`` (rad; negative where the leaving current flows backward). ``conducted`` (A) is the
    current of the phase that keeps its own, which all of a sector conducts; the DC current is less by what the leaving
    phase gives back to the supply.
    """

    voltage: np.ndarray
    current: np.ndarray
    torque: np.ndarray
    conducted: np.ndarray
    overlap: np.ndarray
    sector: _Sector

    @property
    def copper(self) -> np.ndarray:
        """Return the copper loss, which no search asks for."""
        return self.sector.copper()


def steady(winding: Winding, speed: Values, overlap: Values) -> Steady:
    """Return the steady state with this ``speed`` (rad/s mechanical, > 0) and ``overlap`` (rad), both ``(n,)``.

    The voltage follows: this is the solution from which all others are sought.
    """
    w, mu = np.asarray(speed, dtype=float), np.asarray(overlap, dtype=float)
    shape = np.broadcast_shapes(w.shape, mu.shape, *(np.shape(value) for value in winding.values()))
    return _Sector(winding, np.broadcast_to(w, shape), np.broadcast_to(mu, shape)).means()


def at_voltage(winding: Winding, speed: Values, voltage: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) and DC ``voltage`` (V). Raises ``FitError`` where there is none."""
    return _all_found(where(winding, speed, lambda state: state.voltage, voltage))


def at_current(winding: Winding, speed: Values, current: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) with the mean DC ``current`` (A). Raises ``FitError`` likewise."""
    return _all_found(where(winding, speed, lambda state: state.current, current))


def at_torque(winding: Winding, speed: Values, torque: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) with the mean ``torque`` (N m). Raises ``FitError`` likewise."""
    return _all_found(where(winding, speed, lambda state: state.torque, torque))


def _all_found(state: Steady) -> Steady:
    if np.any(np.isnan(state.overlap)):
        raise FitError(_NONE_FITS)
    return state


def where(winding: Winding, speed: Values, of: Callable[[Steady], np.ndarray], target: Values) -> Steady:
    """Return the steady state at ``speed`` (rad/s) in which ``of`` it is ``target``.

    ``of`` is a sum of voltage, currents and torque with positive factors, so it grows with the overlap. NaN where no
    overlap gives the target. Raises ``FitError`` where none does for any of the points.
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
    if not np.any(found.success):
        raise FitError(_NONE_FITS)
    return steady(winding, w, np.where(found.success, found.x, np.nan))


def _ends(winding: Winding, speed: np.ndarray, longest: np.ndarray) -> np.ndarray:
    """Return the overlap (rad) short of which voltage and currents grow without end, at most ``longest``.

    Beyond it the same currents come again with the other sign of the divisor, which no bridge has.
    """
    from scipy.optimize.elementwise import find_root

    turned = _Shares(winding, speed, longest).divisor < 0
    if not np.any(turned):
        return longest
    tried = np.zeros(speed.shape)

    def divisor(overlap: np.ndarray, place: np.ndarray) -> np.ndarray:
        tried.flat[place] = overlap
        with np.errstate(divide="ignore", invalid="ignore"):  # voltage and currents at the end itself
            return np.asarray(_Shares(winding, speed, tried).divisor.flat[place])

    places = np.arange(speed.size).reshape(speed.shape)
    found = find_root(divisor, (np.zeros(speed.shape), longest), args=(places,))
    return np.where(turned, found.x * (1 - 1e-9), longest)


class _Shares:
    """What the supply and the decay of currents alone make of a sector, before any EMF: currents per volt (A/V).

    rho = R/(p w L) is the decay over a radian, ``fade`` = exp(-rho |mu|) that over the overlap, ``rest`` that over what
    is left of the sector. ``gone`` = (s_l/R)(fade - 1) is the current at the beginning, times fade, that leaves the
    leaving phase without any at the end of the overlap; ``at_mu`` = (s_k/R)(1 - fade) + gone is the keeping current
    there. ``divisor`` is what V is multiplied by in (i(pi/3) - i_k(0)) fade, which must be 0, so V = -(what the EMF
    brings there)/divisor. The equations are those at the head of the module.
    """

    def __init__(self, winding: Winding, speed: np.ndarray, overlap: np.ndarray) -> None:
        r, length, backward = winding.resistance, np.abs(overlap), overlap < 0
        self.length = length
        self.rho = r / (winding.pole_pairs * speed * winding.inductance)  # decay over a radian
        # Forward the leaving phase is held at the line of the keeping one, backward at the other.
        self.keeping, self.leaving = np.where(backward, 2 / 3, 1 / 3), np.where(backward, 1 / 3, -1 / 3)
        self.fade, self.rest = np.exp(-self.rho * length), np.exp(-self.rho * (SECTOR - length))
        # The leaving current is gone at the end of the overlap: fade * start = gone.
        self.gone = self.leaving / r * (self.fade - 1)
        # The keeping current then, and the pair's at the end of the sector, less the start; times fade.
        self.at_mu = self.keeping / r * (1 - self.fade) + self.gone
        self.divisor = (0.5 / r * (1 - self.rest) + self.at_mu * self.rest) * self.fade - self.gone


class _Sector:
    """The two stages of a sector: currents as functions of the angle from its beginning.

    The line EMF of the conducting pair stands at its crest in the middle; that of keeping to leaving phase is a sector
    ahead, that of arriving to leaving phase a sector behind. Each current is a share of V/R, a forced part from the
    EMF (phasors over the orders) and an exponential from its value at the beginning x_0 of the stage:

        i(x) = s V/R + Re sum_n I_n exp(j n (x + advance - pi/6)) + A exp(-rho (x - x_0)), Z_n = R + j n p w L,

    with I_n = -w emf a_n/Z_n times (exp(j n pi/3) + 1)/3 for the keeping current (``kept``), (exp(j n pi/3) - exp(-j n
    pi/3))/3 for the leaving one (``left``) and 1/2 for that of the pair (``both``, where s is 1/2).
    """

    def __init__(self, winding: Winding, speed: np.ndarray, overlap: np.ndarray) -> None:
        self.winding, self.overlap = winding, overlap
        shares, powers = _Shares(winding, speed, overlap), _powers(tuple(n for n, _ in winding.orders()))
        self.divisor, shape = shares.divisor, overlap.shape
        order = powers.order.reshape(-1, *(1,) * len(shape))
        self.emf = np.stack([np.broadcast_to(winding.emf * a, shape) for _, a in winding.orders()])
        impedance = winding.resistance + 1j * order * (winding.pole_pairs * speed * winding.inductance)
        driven = self.emf * (-speed / impedance)
        ahead, self.behind = np.exp(1j * order * SECTOR), np.exp(-1j * order * SECTOR)
        keeping, leaving, pair = driven * ((ahead + 1) / 3), driven * ((ahead - self.behind) / 3), driven / 2
        turned = powers.of(np.exp(1j * (np.asarray(winding.advance) - SECTOR / 2)), shares.length)
        begin, reached, end = (turned[powers.places, k] for k in range(3))
        fade, rest = shares.fade, shares.rest
        leaving_0, keeping_0, pair_mu = _real(leaving, begin), _real(keeping, begin), _real(pair, reached)
        # Voltage and starting current that make the end of the sector the beginning of the next: as in ``_Shares``.
        gone = leaving_0 * fade - _real(leaving, reached)
        keeping_mu = _real(keeping, reached)
        at_mu = keeping_mu - keeping_0 * fade + gone
        end_0 = (_real(pair, end) - pair_mu * rest + at_mu * rest) * fade - gone
        self.voltage = -end_0 / shares.divisor
        start = (gone + shares.gone * self.voltage) / fade
        # The leaving phase conducts, then the pair alone.
        v_r = self.voltage / winding.resistance
        keep_v, leave_v = shares.keeping * v_r, shares.leaving * v_r
        self.first = _Stage(powers, turned[:, :2], shares.length, shares.rho, fade)
        self.then = _Stage(powers, turned[:, 1:], SECTOR - shares.length, shares.rho, rest)
        self.kept = _Wave(keep_v, keeping, start - keep_v - keeping_0)
        self.left = _Wave(leave_v, leaving, start - leave_v - leaving_0)
        met = keep_v + keeping_mu + self.kept.fading * fade
        self.both = _Wave(0.5 * v_r, pair, met - 0.5 * v_r - pair_mu)

    def means(self) -> Steady:
        """Return the means over the sector, by the balance of power between EMF and shaft and of charge at a DC line.

        T = (3/pi) (int_0^|mu| [e(x) i_k - e(x - pi/3) i_l] dx + int_|mu|^(pi/3) e(x) i dx), in N m, and
        I = (3/pi) (int_0^|mu| [i_k - i_l] dx + int_|mu|^(pi/3) i dx), in A, without i_l where it flows backward
        (mu < 0): then it comes from the same line.
        """
        first, then, kept, left, both = self.first, self.then, self.kept, self.left, self.both
        torque = first.along(self.emf, kept) - first.along(self.emf * self.behind, left) + then.along(self.emf, both)
        # Forward the leaving phase gives its current back to the supply line that feeds the keeping one.
        passed = first.sum(kept) + then.sum(both)
        charge = passed - np.where(self.overlap < 0, 0.0, first.sum(left))
        return Steady(self.voltage, charge / SECTOR, torque / SECTOR, passed / SECTOR, self.overlap, self)

    def copper(self) -> np.ndarray:
        """Return the mean copper loss (W) of the three phases, in which i_k, i_l and i_k - i_l flow.

        (3/pi) 2 R (int_0^|mu| [i_k^2 - i_k i_l + i_l^2] dx + int_|mu|^(pi/3) i^2 dx).
        """
        first, kept, left = self.first, self.kept, self.left
        square = first.product(kept, kept) - first.product(kept, left) + first.product(left, left)
        square = square + self.then.product(self.both, self.both)
        return np.asarray(self.winding.resistance * 2 * square / SECTOR)


@dataclass(frozen=True)
class _Wave:
    """A current over a stage: ``constant``, phasors ``(orders, n)`` and what fades with the stage's own decay."""

    constant: Values
    forced: np.ndarray
    fading: Values


class _Stage:
    """A stretch of the sector: integrals over its angle, in closed form, of waves and of products of two."""

    def __init__(
        self, powers: _Powers, turned: np.ndarray, length: np.ndarray, rho: np.ndarray, fade: np.ndarray
    ) -> None:
        begin, end = turned[:, 0], turned[:, 1]
        tail = (1,) * length.ndim
        whole = (end - begin) / powers.turns.reshape(-1, *tail)
        #: Of the powers, of one, and of the powers turning backward.
        self.whole = np.concatenate([whole, length[None].astype(complex), whole.conj()])
        self.powers, self.length = powers, length
        self.turning = whole[powers.places]
        decay = 1j * powers.order.reshape(-1, *tail) - rho
        self.waning = (end[powers.places] * fade - begin[powers.places]) / decay
        self.fading = -np.expm1(-rho * length) / rho
        self.fading_twice = -np.expm1(-2 * rho * length) / (2 * rho)

    def sum(self, wave: _Wave) -> np.ndarray:
        """Return the integral of a wave."""
        return wave.constant * self.length + _real(wave.forced, self.turning) + wave.fading * self.fading

    def along(self, phasors: np.ndarray, wave: _Wave) -> np.ndarray:
        """Return the integral of what the ``phasors`` are, times ``wave``."""
        powers = self.powers
        apart = self.whole[powers.sums] * phasors[:, None] + self.whole[powers.differences] * phasors.conj()[:, None]
        found = 0.5 * _real(apart.sum(axis=0), wave.forced)
        return found + wave.constant * _real(phasors, self.turning) + wave.fading * _real(phasors, self.waning)

    def product(self, one: _Wave, other: _Wave) -> np.ndarray:
        """Return the integral of the product of two waves."""
        faded = other.constant * self.fading + _real(other.forced, self.waning) + other.fading * self.fading_twice
        return self.along(one.forced, other) + one.constant * self.sum(other) + one.fading * faded


class _Powers:
    """Which powers of ``exp(j x)`` a wave of these orders and its products with another need.

    ``order`` are those of the wave, at ``places`` among all; ``sums`` and ``differences`` ``(orders, orders)`` name
    the integrals of products in ``_Stage.whole``.
    """

    def __init__(self, orders: tuple[int, ...]) -> None:
        self.order = np.array(orders)
        total = self.order[:, None] + self.order
        apart = self.order - self.order[:, None]
        every = {1, *orders, *map(int, total.ravel()), *(abs(int(d)) for d in apart.ravel() if d)}
        # Each power is the product of its two halves.
        for n in range(max(every), 1, -1):
            if n in every:
                every |= {n // 2, n - n // 2}
        self.every = sorted(every)
        self.place = {n: k for k, n in enumerate(self.every)}
        self.places = np.array([self.place[n] for n in orders])
        self.turns = 1j * np.array(self.every)
        count = len(self.every)
        self.sums = np.vectorize(self.place.__getitem__)(total)
        self.differences = np.array(
            [[count if d == 0 else self.place[abs(d)] + (d < 0) * (count + 1) for d in row] for row in apart.tolist()]
        )

    def of(self, begin: np.ndarray, length: np.ndarray) -> np.ndarray:
        """Return the powers ``(all, 3, n)`` at the beginning, after ``length`` (rad) and at the end of a sector."""
        found = np.empty((len(self.every), 3, *length.shape), dtype=complex)
        found[0, 0] = begin
        found[0, 1] = begin * np.exp(1j * length)
        found[0, 2] = begin * _WHOLE
        for k, n in enumerate(self.every[1:], 1):
            np.multiply(found[self.place[n // 2]], found[self.place[n - n // 2]], out=found[k])
        return found


_powers = cache(_Powers)


def _real(phasors: np.ndarray, turned: np.ndarray) -> np.ndarray:
    """Return the real part of the sum over the orders ``(orders, n)`` of ``phasors`` at the angles of ``turned``."""
    return np.asarray((phasors.real * turned.real - phasors.imag * turned.imag).sum(axis=0))
