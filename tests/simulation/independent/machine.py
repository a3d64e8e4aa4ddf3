"""The invented motor: what it is made of, and what its parts do, all seen from the output shaft.

Temperatures in degC, everything else in SI; angles electrical unless said; `ratio` is electrical over output angle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulation.independent.waveform import Waveform

Floats = NDArray[np.float64]

WINDING_CONSTANT = {"copper": 234.5, "aluminium": 225.0}
"""Temperature, below zero, at which resistance extrapolates to nothing (copper: IEC 60028, resistivity of annealed
copper)."""

SENSOR_EDGES = np.radians([[30.0, 210.0], [150.0, 330.0], [270.0, 90.0]])
"""Ideal angles at which sensors A, B, C rise and fall, (3, 2) rad: the zero crossings of the line voltages."""


@dataclass(frozen=True)
class Drag:
    """What resists turning, torque at the output in N m at speed w in rad/s.

    Bearings and seals (Stribeck curve: coulomb + stribeck exp(-(w/stribeck_speed)^2), viscous w), air w^2, iron at
    magnets of 20 degC (hysteresis: the same at all speeds; eddy w: classical, of thin sheets). Cold grease adds the
    share `grease_excess` exp(-t/grease_time) to the viscous part and 0.3 of that share to the Coulomb part.

    Sources, from memory: Armstrong-Helouvry, Dupont, Canudas de Wit, "A survey of models, analysis tools and
    compensation methods for the control of machines with friction", Automatica 30 (1994); iron loss of Steinmetz and
    of eddy currents over frequency: Hendershot and Miller, "Design of Brushless Permanent-Magnet Motors". Grease:
    invented, after bearing makers' running-in hints, no source.
    """

    coulomb: float
    stribeck: float
    stribeck_speed: float
    viscous: float
    air: float
    hysteresis: float
    eddy: float
    grease_excess: float
    grease_time: float

    def torque(self, speed: Floats, running_time: Floats | float, magnets: Floats | float) -> Floats:
        """Drag torque at speeds >= 0 after `running_time` s, with magnets at the share `magnets` of their flux at 20
        degC."""
        cold = self.grease_excess * np.exp(-np.asarray(running_time) / self.grease_time)
        bearing = self.coulomb * (1 + 0.3 * cold) + self.stribeck * np.exp(-((speed / self.stribeck_speed) ** 2))
        iron = (self.hysteresis + self.eddy * speed) * np.asarray(magnets) ** 2
        return np.asarray(bearing + self.viscous * (1 + cold) * speed + self.air * speed**2 + iron)


@dataclass(frozen=True)
class Body:
    """Two bodies that hold heat: winding and housing. C in J/K, R in K/W at a rise of 30 K of the housing.

    The housing's resistance to the air falls with its rise to the power of `convection` (natural convection: 1/4 for a
    laminar layer, Incropera and DeWitt, from memory).
    """

    winding_capacity: float
    housing_capacity: float
    winding_to_housing: float
    housing_to_air: float
    convection: float

    def to_air(self, rise: Floats | float) -> Floats:
        """Resistance between housing and air at this rise of the housing, K/W."""
        return np.asarray(self.housing_to_air * (np.maximum(np.abs(rise), 1.0) / 30.0) ** -self.convection)


@dataclass(frozen=True)
class Motor:
    """One motor. Resistances at 20 degC and inductances are those of the equivalent star; EMF at magnets of 20 degC.

    resistance: (3,) ohm; inductance_d, inductance_q: H; spread: (3,) H, what each phase has more; knee: A, of the
    current across the magnets; magnet_coefficient: 1/K; sensors: (3, 2) rad by which the edges come late; jitter:
    rad, electrical; cogging: amplitudes in N m by order per output turn, with phases; round_delta: N m s, see
    `circulating`.
    """

    pole_pairs: int
    gear: float
    freewheel: bool
    slots: int
    material: str
    insulation_class: str
    rated_voltage: float
    rated_power: float
    rated_speed: float
    resistance: Floats
    inductance_d: float
    inductance_q: float
    spread: Floats
    waveform: Waveform
    knee: float
    magnet_coefficient: float
    sensors: Floats
    jitter: float
    cogging: tuple[tuple[int, float, float], ...]
    drag: Drag
    body: Body
    inertia: float
    mesh: float
    delta: bool
    insulation: tuple[float, float, float]
    insulation_halving: float

    @property
    def ratio(self) -> float:
        """Electrical over output angle."""
        return self.pole_pairs * self.gear

    def magnets(self, temperature: Floats | float) -> Floats:
        """Share of the magnets' flux at 20 degC that is left at `temperature`."""
        return np.asarray(1 + self.magnet_coefficient * (np.asarray(temperature) - 20.0))

    def resistances(self, temperature: Floats | float) -> Floats:
        """Phase resistances (..., 3) at winding temperatures (...)."""
        k = WINDING_CONSTANT[self.material]
        return self.resistance * np.asarray((k + np.asarray(temperature)) / (k + 20.0))[..., None]

    def circulating(self, speed: Floats, temperature: Floats | float, magnets: Floats | float) -> Floats:
        """Drag torque of the current that the EMF common to all phases drives round a delta, N m.

        A delta has three times the star's resistance and root three times its EMF; the inductance that the common
        current meets is taken as a third of the phase's. Zero for a star.
        """
        if not self.delta:
            return np.zeros_like(speed)
        w = np.maximum(speed, 1e-3) * self.ratio
        resistance = 3 * self.resistances(temperature).mean(axis=-1)
        power = np.zeros_like(w)
        for order, shape in zip(self.waveform.orders, self.waveform.zero_sequence(), strict=True):
            if order % 3 == 0:
                emf = np.sqrt(3) * shape * w * magnets
                reactance = order * w * self.inductance_d
                power += 3 * resistance * emf**2 / 2 / (resistance**2 + reactance**2)
        return np.asarray(power / (w / self.ratio))


@dataclass(frozen=True)
class Controller:
    """The invented six-step controller.

    switch: ohm; diode_drop: V; diode: ohm; delay: s from sensor edge to switching; standby_current: A and
    standby_power: W, drawn whatever the motor does (a linear and a switching auxiliary supply); switching: J per V A,
    energy of one turn-on and turn-off over voltage and current; frequency: Hz, of chopping.
    """

    switch: float
    diode_drop: float
    diode: float
    delay: float
    standby_current: float
    standby_power: float
    switching: float
    frequency: float

    def standby(self, voltage: Floats | float) -> Floats:
        """Power drawn with the motor at rest, W."""
        return np.asarray(self.standby_current * np.asarray(voltage) + self.standby_power)
