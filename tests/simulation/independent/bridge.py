"""Six-step bridge and machine solved in time: many operating points side by side, each until it is periodic.

The circuit is a network that is linear between events: in each of the six sectors one leg is at the positive rail,
one at the negative rail (switches with on-resistance, both directions), and the third is off: its current goes on
through a diode until it is zero; after that the phase floats until its own EMF opens a diode again. Sectors begin at
the real sensor edges. The machine is written in the stationary plane, with any shape of EMF, unequal phases and
inductances that turn with the rotor (x is a space vector, x* its conjugate, all of the kind that keeps amplitudes):

    v = R i + d(L i)/dt + w s(|i|) lambda(angle)
    L x = (S + S') x + (D exp(2 j angle) + D') x*,  S, D = (L_d + L_q)/2, (L_d - L_q)/2; S', D' from unequal phases
    T = p 3/2 (s Re(i* lambda) + Re(j D exp(2 j angle) (i*)^2))

s(|i|) = (1 + (|i|/knee)^2)^(-1/2) is what saturation by the stator's current leaves of the magnets' flux. It stands
alike in EMF and torque, so that power is conserved at every current; the energy of the field is that of the
inductances alone. This is a description of saturation, not one derived from a field solution.

Sources, all from memory: Krause, Wasynczuk, Sudhoff, "Analysis of Electric Machinery" (machine equations, torque from
the co-energy, brushless DC drive with 120 degree conduction); Mohan, Undeland, Robbins, "Power Electronics" (bridge
and diodes). The steps are Runge and Kutta's of fourth order, the integrals over the turn Simpson's.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tests.simulation.independent.waveform import PHASES

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Places = NDArray[np.intp]

SECTORS = ((0, 1, 2), (0, 2, 1), (1, 2, 0), (1, 0, 2), (2, 0, 1), (2, 1, 0))
"""Leg at the positive rail, at the negative rail, off: for the six sectors; the first ideally begins at 30 degrees."""

STEPS = 12
"""Fewest steps in a sector: currents and torque are then right within about 1e-4; the error falls with the fourth
power."""


@dataclass(frozen=True)
class Points:
    """Operating points, every field an array with one entry (or row) for each of n points; speeds are electrical.

    edges: (n, 6) rad, where the sectors begin, rising; speed: rad/s; voltage: bus, V; duty: mean share of the bus at
    the positive leg (1: no chopping; both switches of the leg work in turn); resistance: (n, 3) ohm of the phases;
    switch: ohm; diode_drop: V; diode: ohm; shape: (n, 2 h + 1) Fourier coefficients from -h to h of the EMF's vector
    over speed, V s; inductance_d, inductance_q: H; spread: (n, 3) H, what each phase has more; knee: A.
    """

    edges: Floats
    speed: Floats
    voltage: Floats
    duty: Floats
    resistance: Floats
    switch: Floats
    diode_drop: Floats
    diode: Floats
    shape: Complexes
    inductance_d: Floats
    inductance_q: Floats
    spread: Floats
    knee: Floats

    def take(self, which: Places) -> Points:
        """The points at these places alone."""
        return Points(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    @property
    def count(self) -> int:
        """Number of points."""
        return len(self.speed)

    def emf_shape(self, angle: Floats) -> Complexes:
        """lambda (n,) at one electrical angle for each point, V s."""
        highest = self.shape.shape[1] // 2
        turn = np.exp(1j * angle)
        total = np.zeros_like(turn)
        for column in range(self.shape.shape[1] - 1, -1, -1):
            total = total * turn + self.shape[:, column]
        return np.asarray(total * turn**-highest)

    def torque(self, current: Complexes, angle: Floats, emf: Complexes) -> Floats:
        """Torque (n,) per pole pair in N m; emf: lambda at that angle."""
        left = (1 + (current * current.conj()).real / self.knee**2) ** -0.5
        twist = (self.inductance_d - self.inductance_q) / 2 * np.exp(2j * angle)
        return np.asarray(1.5 * (left * (current.conj() * emf).real + (1j * twist * current.conj() ** 2).real))

    def energy(self, current: Complexes, angle: Floats) -> Floats:
        """Energy (n,) of the currents' field, J."""
        twist = (self.inductance_d - self.inductance_q) / 2 * np.exp(2j * angle)
        even = (self.inductance_d + self.inductance_q) / 2 * (current * current.conj()).real
        each = (current[:, None] * PHASES.conj()).real
        return np.asarray(0.75 * (even + (twist * current.conj() ** 2).real) + (self.spread * each**2).sum(axis=1) / 2)


@dataclass(frozen=True)
class Turn:
    """Means over one electrical turn of the periodic state, (n,) each unless said.

    dc_current: A from the bus; torque: N m per pole pair, at the air gap; squares: (n, 3) A^2, of the phase currents;
    copper, switch_loss: W; input_power: W; stored: W, gain of the field over the turn (next to nothing where periodic);
    mismatch: A, change of the current vector over the turn; current: A, vector at its start.
    """

    dc_current: Floats
    torque: Floats
    squares: Floats
    copper: Floats
    switch_loss: Floats
    input_power: Floats
    stored: Floats
    mismatch: Floats
    current: Complexes


@dataclass(frozen=True)
class _Node:
    """An angle of a sector, with all that the equations need there and that does not depend on current.

    emf: lambda; driving: speed times lambda; other: factor of i* in the voltage; inverse, crossed: L x = w is solved by
    x = inverse w - crossed w*; answer: current slope per volt at the third terminal; gain: volts that hold its slope.
    """

    angle: Floats
    emf: Complexes
    driving: Complexes
    other: Complexes
    inverse: Floats
    crossed: Complexes
    answer: Complexes
    gain: Floats


class _Circuit:
    """One sector: derivative of the current vector, and steps along it."""

    def __init__(self, points: Points, sector: int) -> None:
        self.points, self.legs = points, SECTORS[sector]
        high, _, off = self.legs
        self.axis = complex(PHASES[off])
        series = points.resistance + points.switch[:, None]
        series[:, off] = points.resistance[:, off] + points.diode
        self.r_sum = series.sum(axis=1) / 3
        self.r_turn = (series * PHASES**2).sum(axis=1) / 3
        self.l_sum = (points.inductance_d + points.inductance_q) / 2 + points.spread.sum(axis=1) / 3
        self.l_turn = (points.spread * PHASES**2).sum(axis=1) / 3
        self.driven = 2 / 3 * complex(PHASES[high]) * points.duty * points.voltage
        self.knee = points.knee**-2.0

    def take(self, which: Places) -> _Circuit:
        part = object.__new__(_Circuit)
        part.points, part.legs, part.axis = self.points.take(which), self.legs, self.axis
        for name in ("r_sum", "r_turn", "l_sum", "l_turn", "driven", "knee"):
            setattr(part, name, getattr(self, name)[which])
        return part

    def third(self, current: Complexes) -> Floats:
        """Current (n,) of the third leg."""
        return self.axis.real * current.real + self.axis.imag * current.imag

    def node(self, angle: Floats) -> _Node:
        p = self.points
        twist = (p.inductance_d - p.inductance_q) / 2 * np.exp(2j * angle)
        turned = twist + self.l_turn
        det = self.l_sum**2 - (turned * turned.conj()).real
        emf = p.emf_shape(angle)
        inverse, crossed = self.l_sum / det, turned / det
        answer = 2 / 3 * (inverse * self.axis - crossed * self.axis.conjugate())
        other = self.r_turn + 2j * p.speed * twist
        return _Node(angle, emf, p.speed * emf, other, inverse, crossed, answer, 1 / self.third(answer))

    def rails(self, state: Floats) -> Complexes:
        """Voltage vector (n,) of the three terminals, as far as switches and diodes set them."""
        p = self.points
        diode = np.where(state > 0, -p.diode_drop, p.voltage + p.diode_drop) * np.abs(state)
        return self.driven + 2 / 3 * self.axis * diode

    def free(self, current: Complexes, rails: Complexes, node: _Node) -> Complexes:
        """Derivative (n,) in A/s, were the third terminal at the negative rail where it floats."""
        other = current.conj()
        left = 1 / np.sqrt(1 + (current.real**2 + current.imag**2) * self.knee)
        drive = rails - self.r_sum * current - node.other * other - left * node.driving
        return node.inverse * drive - node.crossed * drive.conj()

    def slope(self, current: Complexes, state: Floats, node: _Node) -> tuple[Complexes, Floats]:
        """Derivative (n,) in A/s, and the potential (n,) of the third terminal over the negative rail where it floats.

        state: +1 or -1 while the third leg's current of that sign goes through a diode, 0 while it floats.
        """
        free = self.free(current, self.rails(state), node)
        floating = -self.third(free) * node.gain
        return free + node.answer * np.where(state == 0, floating, 0.0), floating

    def step(self, current: Complexes, state: Floats, nodes: tuple[_Node, _Node, _Node]) -> tuple[Complexes, Complexes]:
        """Current at the end and in the middle of the step through the three nodes."""
        rails, still = self.rails(state), (state == 0).astype(float)

        def slope(at: Complexes, node: _Node) -> Complexes:
            free = self.free(at, rails, node)
            return free - node.answer * (self.third(free) * node.gain * still)

        h = (nodes[2].angle - nodes[0].angle) / self.points.speed
        k1 = slope(current, nodes[0])
        k2 = slope(current + h / 2 * k1, nodes[1])
        k3 = slope(current + h / 2 * k2, nodes[1])
        k4 = slope(current + h * k3, nodes[2])
        end = current + h / 6 * (k1 + 2 * (k2 + k3) + k4)
        return end, (current + end) / 2 + h / 8 * (k1 - k4)

    def nodes(self, start: Floats, angle: Floats) -> tuple[_Node, _Node, _Node]:
        return self.node(start), self.node(start + angle / 2), self.node(start + angle)

    def excess(self, current: Complexes, node: _Node) -> tuple[Floats, Floats]:
        """By how much (n,) in V the floating phase has left the rails and a diode's drop, and the sign of its current
        then."""
        p = self.points
        _, floating = self.slope(current, np.zeros(len(current)), node)
        below, above = -p.diode_drop - floating, floating - p.voltage - p.diode_drop
        return np.maximum(below, above), np.where(below > above, 1.0, -1.0)


class _Sums:
    """Simpson sums over the turn."""

    def __init__(self, count: int) -> None:
        self.dc, self.torque, self.copper, self.switch = (np.zeros(count) for _ in range(4))
        self.squares = np.zeros((count, 3))

    def add(
        self,
        where: Places | slice,
        circuit: _Circuit,
        state: Floats,
        currents: tuple[Complexes, ...],
        nodes: tuple[_Node, ...],
        kept: Floats | float = 1.0,
    ) -> None:
        p = circuit.points
        high, low, off = circuit.legs
        whole = kept * (nodes[2].angle - nodes[0].angle) / (2 * np.pi)
        for weight, current, node in zip((1 / 6, 4 / 6, 1 / 6), currents, nodes, strict=True):
            each = (current[:, None] * PHASES.conj()).real
            share = weight * whole
            diode = np.abs(state) * (p.diode_drop * np.abs(each[:, off]) + p.diode * each[:, off] ** 2)
            self.dc[where] += share * (p.duty * each[:, high] + np.where(state < 0, each[:, off], 0.0))
            self.torque[where] += share * p.torque(current, node.angle, node.emf)
            self.squares[where] += share[:, None] * each**2
            self.copper[where] += share * (p.resistance * each**2).sum(axis=1)
            self.switch[where] += share * (p.switch * (each[:, high] ** 2 + each[:, low] ** 2) + diode)


def periodic(
    points: Points, start: Complexes | None = None, *, tolerance: float = 1e-6, most: int = 80, steps: int = STEPS
) -> Turn:
    """Integrate electrical turns at constant speed until the current vector repeats within `tolerance` of its size.

    points: n of them; start: (n,) A, a guess of the current at the first edge; steps: fewest in a sector (slow points
    get more: a step is at most a third of the electrical time constant). Raises ArithmeticError when after `most`
    turns some point does not repeat.
    """
    constant = np.minimum(points.inductance_d, points.inductance_q) / (points.resistance.max(axis=1) + points.switch)
    needed = np.maximum(np.pi / 3 / points.speed / (constant / 3), steps)
    classes = (steps * 2 ** np.ceil(np.log2(needed / steps))).astype(int)
    guess = np.zeros(points.count, dtype=complex) if start is None else np.asarray(start, dtype=complex)
    parts: list[tuple[Places, Turn]] = []
    for size in np.unique(classes):
        which = np.flatnonzero(classes == size)
        parts.append((which, _periodic(points.take(which), guess[which], tolerance, most, int(size))))
    order = np.argsort(np.concatenate([which for which, _ in parts]))
    return Turn(**{f.name: np.concatenate([getattr(turn, f.name) for _, turn in parts])[order] for f in fields(Turn)})


def _periodic(points: Points, current: Complexes, tolerance: float, most: int, steps: int) -> Turn:
    circuits = [_Circuit(points, sector) for sector in range(6)]
    ends = np.concatenate([points.edges[:, 1:], points.edges[:, :1] + 2 * np.pi], axis=1)
    grid = [
        [
            circuit.node(points.edges[:, k] + (ends[:, k] - points.edges[:, k]) * i / (2 * steps))
            for i in range(2 * steps + 1)
        ]
        for k, circuit in enumerate(circuits)
    ]
    final = False
    for _ in range(most + 1):
        before = current
        sums = _Sums(points.count) if final else None
        for circuit, nodes in zip(circuits, grid, strict=True):
            current = _sector(circuit, nodes, current, sums)
        gap = np.abs(current - before)
        if sums is not None:
            first = points.edges[:, 0]
            gained = (points.energy(current, first) - points.energy(before, first)) * points.speed / (2 * np.pi)
            power = points.voltage * sums.dc
            return Turn(sums.dc, sums.torque, sums.squares, sums.copper, sums.switch, power, gained, gap, before)
        final = bool(np.all(gap <= tolerance * (np.abs(current) + 0.01)))
    raise ArithmeticError(
        f"{int(np.sum(gap > tolerance * (np.abs(current) + 0.01)))} operating points do not become periodic"
    )


def _sector(circuit: _Circuit, grid: list[_Node], current: Complexes, sums: _Sums | None) -> Complexes:
    """Current at the end of the sector; what is summed goes into `sums`."""
    third = circuit.third(current)
    state = np.where(np.abs(third) < 1e-9, 0.0, np.sign(third))
    for step in range((len(grid) - 1) // 2):
        nodes = (grid[2 * step], grid[2 * step + 1], grid[2 * step + 2])
        end, middle = circuit.step(current, state, nodes)
        ended = np.flatnonzero(state * circuit.third(end) < 0)
        begun = np.empty(0, dtype=np.intp)
        if np.any(state == 0):
            beyond, sign = circuit.excess(end, nodes[2])
            begun = np.flatnonzero((state == 0) & (beyond > 0))
        if sums is not None:
            kept = np.ones(len(current))
            kept[ended] = kept[begun] = 0.0
            sums.add(slice(None), circuit, state, (current, middle, end), nodes, kept)
        if len(ended):
            end[ended] = _extinguish(circuit, ended, current, end, state, nodes, sums)
            state[ended] = 0.0
        if len(begun):
            end[begun] = _ignite(circuit, begun, current, sign[begun], beyond[begun], nodes, sums)
            state[begun] = sign[begun]
        current = end
    return current


def _ignite(
    circuit: _Circuit,
    begun: Places,
    current: Complexes,
    sign: Floats,
    beyond: Floats,
    nodes: tuple[_Node, ...],
    sums: _Sums | None,
) -> Complexes:
    """Split the step of the points whose floating phase leaves the rails in it; from there on its diode conducts."""
    part = circuit.take(begun)
    first, begin = current[begun], nodes[0].angle[begun]
    whole = nodes[2].angle[begun] - begin
    still = np.zeros(len(begun))
    before, _ = part.excess(first, part.node(begin))
    low, high = np.zeros(len(begun)), np.ones(len(begun))
    f_low, f_high = np.minimum(before, -1e-12), beyond
    for _ in range(4):
        share = np.where(before >= 0, 0.0, low - (high - low) * f_low / (f_high - f_low))
        until = part.nodes(begin, share * whole)
        reached, middle = part.step(first, still, until)
        f_new, _ = part.excess(reached, until[2])
        high, f_high = np.where(f_new > 0, share, high), np.where(f_new > 0, f_new, f_high)
        low, f_low = np.where(f_new > 0, low, share), np.where(f_new > 0, f_low, np.minimum(f_new, -1e-12))
        if np.all((np.abs(f_new) < 1e-6) | (before >= 0)):
            break
    after = part.nodes(begin + share * whole, (1 - share) * whole)
    last, between = part.step(reached, sign, after)
    if sums is not None:
        sums.add(begun, part, still, (first, middle, reached), until)
        sums.add(begun, part, sign, (reached, between, last), after)
    return last


def _extinguish(
    circuit: _Circuit,
    crossed: Places,
    current: Complexes,
    end: Complexes,
    state: Floats,
    nodes: tuple[_Node, ...],
    sums: _Sums | None,
) -> Complexes:
    """Split the step of the points whose diode current falls to zero in it; the rest of the step goes with the phase
    floating."""
    part = circuit.take(crossed)
    first, sign, begin = current[crossed], state[crossed], nodes[0].angle[crossed]
    whole = nodes[2].angle[crossed] - begin
    axis = circuit.axis
    f_low, f_high = part.third(first), part.third(end[crossed])
    size = np.abs(f_low) + 1e-3
    low, high = np.zeros(len(crossed)), np.ones(len(crossed))
    for _ in range(6):
        share = np.clip(low + (high - low) * f_low / np.where(f_low == f_high, 1.0, f_low - f_high), 0.0, 1.0)
        until = part.nodes(begin, share * whole)
        reached, middle = part.step(first, sign, until)
        f_new = part.third(reached)
        beyond = f_new * sign < 0
        high, f_high = np.where(beyond, share, high), np.where(beyond, f_new, f_high)
        low, f_low = np.where(beyond, low, share), np.where(beyond, f_low, f_new)
        if np.all(np.abs(f_new) < 1e-9 * size):
            break
    reached = reached - axis * part.third(reached)
    still = np.zeros(len(crossed))
    after = part.nodes(begin + share * whole, (1 - share) * whole)
    last, between = part.step(reached, still, after)
    if sums is not None:
        sums.add(crossed, part, sign, (first, middle, reached), until)
        sums.add(crossed, part, still, (reached, between, last), after)
    return last
