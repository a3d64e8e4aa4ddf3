"""An invented winding as inductances: steps with saturation and eddy currents, readings over the angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp


@dataclass(frozen=True)
class InductanceTruth:
    """A star winding: phase inductances along d and q (H), phase resistance (ohm), pole pairs.

    ``saturation`` is the current (A) at which the line inductance has fallen by pi/4; ``eddy`` the coupling
    (0 to 1) to a short-circuited path in iron and magnets with time constant ``eddy_time`` (s). Fault:
    ``shorted`` lowers the inductance of the pairs with phase A by this share.
    """

    d: float = 180e-6
    q: float = 240e-6
    resistance: float = 0.12
    pole_pairs: int = 10
    saturation: float = 60.0
    eddy: float = 0.3
    eddy_time: float = 2e-4
    shorted: float = 0.0

    def line(self, pair: str, angle: float) -> float:
        """Return the unsaturated line-to-line inductance (H) from the three phases' self and mutual inductances.

        Built from the phases, not from the two axes: L_line = L_x + L_y - 2 M_xy.
        """
        electrical = self.pole_pairs * angle
        mean, swing = (self.d + self.q) / 3, (self.d - self.q) / 3
        places = dict(zip("abc", (0.0, 2 * np.pi / 3, 4 * np.pi / 3), strict=True))
        x, y = (places[name] for name in pair)
        own = [mean + swing * np.cos(2 * (electrical - place)) for place in (x, y)]
        mutual = mean * np.cos(x - y) + swing * np.cos(2 * electrical - x - y)
        return (sum(own) - 2 * mutual) * (1 - self.shorted * ("a" in pair))


def step_log(
    truth: InductanceTruth,
    rng: np.random.Generator,
    *,
    pair: str = "ab",
    angle: float = 0.0,
    voltage: float = 2.4,
    noise: float = 0.02,
    offset: tuple[float, float] = (0.01, -0.03),
    rate: float = 1e5,
) -> tuple[dict[str, np.ndarray], float]:
    """Return a log ``time``, ``voltage_xy``, ``current_xy`` of a supply switched on, and the true inductance (H).

    The true value is flux linkage over current at the end. ``noise`` in A (a tenth of it in V), ``offset``
    in V and A; the supply has 0.05 ohm of its own and 20 us of rise time; the converters have 12 bits.
    """
    L = truth.line(pair, angle)
    R, source, bend = 2 * truth.resistance, 0.05, truth.saturation
    secondary = L  # referred: same self-inductance, coupling `eddy`
    M, Re = truth.eddy * np.sqrt(L * secondary), secondary / truth.eddy_time
    start = 2e-3

    def supply(t: float) -> float:
        return voltage * (1 - np.exp(-(t - start) / 20e-6)) if t > start else 0.0

    def rates(t: float, y: np.ndarray) -> list[float]:
        i, e = y
        incremental = L / (1 + (i / bend) ** 2)
        matrix = np.array([[incremental, M], [M, secondary]])
        return list(np.linalg.solve(matrix, [supply(t) - (R + source) * i, -Re * e]))

    length = start + 14 * L / R
    time = np.arange(0.0, length, 1 / rate)
    found = solve_ivp(rates, (0, length), [0.0, 0.0], t_eval=time, max_step=length / 150, rtol=1e-7, atol=1e-8)
    current = found.y[0]
    across = np.array([supply(t) for t in time]) - source * current

    def read(values: np.ndarray, size: float, zero: float, span: float) -> np.ndarray:
        step = 2 * span / 4096
        return np.round((values + zero + size * rng.standard_normal(values.size)) / step) * step

    end = voltage / (R + source)
    columns = {
        "time": time,
        f"voltage_{pair}": read(across, 0.1 * noise, offset[0], 2 * voltage),
        f"current_{pair}": read(current, noise, offset[1], 2 * end),
    }
    return columns, float(L * bend * np.arctan(end / bend) / end)


def meter_log(
    truth: InductanceTruth,
    rng: np.random.Generator,
    *,
    positions: int = 24,
    noise: float = 0.004,
    span: float | None = None,
    harmonic: float = 0.01,
) -> dict[str, np.ndarray]:
    """Return a table ``angle`` (rad), ``inductance_ab|bc|ca`` (H) over an electrical turn (or ``span``).

    The readings of an LCR meter: ``noise`` is relative, ``harmonic`` a relative sixth harmonic that two-axis
    theory does not know.
    """
    angle = np.linspace(0.0, span or 2 * np.pi / truth.pole_pairs, positions, endpoint=False) + rng.uniform(0, 0.3)
    columns = {"angle": angle}
    for pair in ("ab", "bc", "ca"):
        line = np.array([truth.line(pair, a) for a in angle])
        line = line * (1 + harmonic * np.cos(6 * truth.pole_pairs * angle))
        columns[f"inductance_{pair}"] = line * (1 + noise * rng.standard_normal(positions))
    return columns
