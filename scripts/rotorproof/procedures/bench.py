"""What the bench sheet of a procedure says: wiring, set values, steps, what to expect and what would be wrong.

The facts of each procedure stand in ``_bench/<module of the procedure>.py`` as ``bench(situation) -> Bench``: apart
from the fit, so that a word changed on a sheet runs no fit again. Estimates before the measurement are coarse, are
called so on the sheet, and enter no result.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from ..physics.thermal_class import rise_limit

#: Rise of the winding that a resistance or inductance test may cause, in K: 0.4 % of resistance.
HEATING_LIMIT = 1.0
#: Rated currents of fuses in A (R10 series of IEC 60127 and IEC 60269; from memory).
_FUSES = (
    *(0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0),
    *(10.0, 12.5, 16.0, 20.0, 25.0, 32.0, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0),
)
#: Reckoned with where nothing better is known (common practice, no source): an idle motor takes a tenth of rated
#: torque, half of it at any speed, half of it growing with speed; a wheel with its rotor has about 0.1 kg m^2.
_IDLE_SHARE, _INERTIA = 0.1, 0.1
#: Samples per electrical turn that a waveform record should hold.
SAMPLES_PER_TURN = 100

ElementKind = Literal["box", "meter", "fuse", "machine"]
WireKind = Literal["power", "signal", "mechanical"]
#: What a definition or an expectation rests on: a text at hand, one cited from memory, or the practice of the trade.
Basis = Literal["published", "memory", "practice"]


@dataclass(frozen=True, slots=True)
class Element:
    """An element of a wiring drawing at a place of its grid."""

    name: str
    label: str
    column: int
    row: int
    kind: ElementKind = "box"


@dataclass(frozen=True, slots=True)
class Wire:
    """A connection between two parts; the label says which conductor or signal it is.

    One with a ``switch`` is cut by the switch that whoever is at the bench can reach.
    """

    start: str
    end: str
    label: str = ""
    kind: WireKind = "power"
    switch: bool = False


@dataclass(frozen=True)
class Wiring:
    """A wiring drawing as data; the rendering room draws it."""

    parts: tuple[Element, ...]
    wires: tuple[Wire, ...]


@dataclass(frozen=True, slots=True)
class SetValue:
    """A value to set at the bench in SI of ``kind``, shown in ``unit``; ``None`` where the nameplate is silent."""

    what: str
    value: float | None
    kind: str
    unit: str
    why: str
    basis: Basis = "published"


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a quantity should come out at, in SI: a coarse range, and what it rests on."""

    quantity: str
    low: float | None
    high: float | None
    rests_on: str
    basis: Basis = "published"


@dataclass(frozen=True, slots=True)
class Effect:
    """How an instrument's error reaches a quantity: a reading ``at`` (SI) with relative sensitivity d ln y / d ln x."""

    column: str
    at: float
    sensitivity: float = 1.0


@dataclass(frozen=True)
class BenchSheet:
    """The bench sheet's own facts; purpose, cautions, columns and conditions come from the procedure."""

    wiring: Wiring
    steps: tuple[str, ...]
    settings: tuple[SetValue, ...] = ()
    expectations: tuple[Expectation, ...] = ()
    effects: Mapping[str, tuple[Effect, ...]] = field(default_factory=dict)
    wrong: tuple[tuple[str, str], ...] = ()
    #: What can be done on a supply that does not reach the pack's voltage.
    low_supply: str = ""
    #: Cautions that stand before a step: number of the step (from 1) to text.
    step_cautions: Mapping[int, str] = field(default_factory=dict)
    #: What holds for this unit in particular (gear, freewheel).
    notes: tuple[str, ...] = ()
    #: Quantity -> why this bench cannot show it, however well it measures.
    unreached: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Situation:
    """What is known before the test, in SI: ``nameplate_...``, ``pack_...`` and the bench's own limits."""

    kind: str
    known: Mapping[str, float]
    insulation_class: str | None = None
    freewheel: bool | None = None

    def get(self, name: str) -> float | None:
        """Return a known value."""
        return self.known.get(name)

    @property
    def voltage(self) -> float | None:
        """Return the working voltage: the real pack's nominal one, else the rated one."""
        return self.known.get("pack_voltage_nominal", self.known.get("nameplate_rated_voltage"))

    @property
    def full_voltage(self) -> float | None:
        """Return the highest voltage of the pack, else the rated voltage."""
        return self.known.get("pack_voltage_full", self.known.get("nameplate_rated_voltage"))

    @property
    def rated_current(self) -> float | None:
        """Return the rated current: stated, else rated power over rated voltage over 0.8 (common practice)."""
        stated = self.known.get("nameplate_rated_current")
        if stated is not None:
            return stated
        power, voltage = self.known.get("nameplate_rated_power"), self.known.get("nameplate_rated_voltage")
        return power / voltage / 0.8 if power and voltage else None

    @property
    def no_load_speed(self) -> float | None:
        """Return a no-load speed of the wheel: rated speed over 0.85 (common practice)."""
        rated = self.known.get("nameplate_rated_speed")
        return rated / 0.85 if rated else None

    @property
    def emf_constant(self) -> float | None:
        """Return a DC EMF constant: rated voltage over the no-load speed."""
        voltage, speed = self.known.get("nameplate_rated_voltage"), self.no_load_speed
        return voltage / speed if voltage and speed else None

    @property
    def line_resistance(self) -> float | None:
        """Return a line-to-line resistance: 12 % of rated power lost in copper (common practice)."""
        voltage, current = self.known.get("nameplate_rated_voltage"), self.rated_current
        return 0.12 * voltage / current if voltage and current else None

    @property
    def rated_torque(self) -> float | None:
        """Return rated power over rated speed."""
        power, speed = self.known.get("nameplate_rated_power"), self.known.get("nameplate_rated_speed")
        return power / speed if power and speed else None

    def cool_current(self, rise: float = HEATING_LIMIT) -> float | None:
        """Return the current that warms the winding by at most ``rise`` (K) even if it flows for good.

        The rise goes with the square of the current, and at rated current it keeps the limit of the insulation
        class (IEC 60034-1; class B where none is stated).
        """
        limit = rise_limit(self.insulation_class or "B")
        return None if self.rated_current is None else self.rated_current * math.sqrt(rise / limit)

    def electrical_frequency(self, speed: float | None) -> float | None:
        """Return pole pairs times the rotor's turns per second, at a speed in rad/s of the wheel (through the gear)."""
        pairs = self.known.get("nameplate_pole_pairs")
        ratio = self.known.get("nameplate_gear_ratio", 1.0)
        return pairs * ratio * speed / (2 * math.pi) if pairs and speed else None

    def sample_rate(self, speed: float | None) -> float | None:
        """Return the sample rate in Hz for ``SAMPLES_PER_TURN`` at a speed of the wheel."""
        frequency = self.electrical_frequency(speed)
        return None if frequency is None else SAMPLES_PER_TURN * frequency

    def supplied(self, voltage: float | None) -> float | None:
        """Return a voltage to set: no higher than the bench supply goes, where that is known."""
        supply = self.known.get("supply_voltage")
        return voltage if supply is None or voltage is None else min(voltage, supply)

    def supply_reaches(self, voltage: float | None) -> bool | None:
        """Tell whether the bench supply reaches a voltage; ``None`` where either is not known."""
        supply = self.known.get("supply_voltage")
        return None if supply is None or voltage is None else supply >= voltage


@dataclass(frozen=True)
class Machine:
    """What the nameplate lets expect of a motor, in SI: the ideal one of ``Procedure.ideal_logs``."""

    voltage: float
    current: float
    resistance: float
    constant: float
    rated_speed: float
    pole_pairs: int
    coulomb: float
    viscous: float
    inertia: float = _INERTIA

    @classmethod
    def expected(cls, known: Situation) -> Machine | None:
        """Return the machine of a nameplate, ``None`` if voltage, power, speed or pole pairs are not stated."""
        voltage, speed, pairs = (known.get(f"nameplate_{n}") for n in ("rated_voltage", "rated_speed", "pole_pairs"))
        current, resistance, constant = known.rated_current, known.line_resistance, known.emf_constant
        torque = known.rated_torque
        if not (voltage and speed and pairs and current and resistance and constant and torque):
            return None
        half = 0.5 * _IDLE_SHARE * torque
        return cls(voltage, current, resistance, constant, speed, round(pairs), half, half / speed)


def driven_from_outside(situation: Situation) -> tuple[str, ...]:
    """Return what a gear and a freewheel mean for a test that turns the motor at its output, or lets it turn there."""
    notes = []
    ratio = situation.get("nameplate_gear_ratio")
    if situation.freewheel:
        notes.append(
            "This motor has a freewheel: turned forward at the wheel, the rotor stands still. Lock the freewheel, or "
            "turn it in the direction that it locks, and write down which."
        )
    elif situation.freewheel is None and ratio is not None and ratio != 1:
        notes.append("A geared motor usually has a freewheel: find out first which direction turns the rotor.")
    if ratio is not None and ratio != 1:
        notes.append(
            f"The gear makes {ratio:g} turns of the rotor from one of the wheel: pole pairs and cogging periods "
            "counted at the wheel are that much larger. State the side at which the speed is measured."
        )
    return tuple(notes)


def fuse(current: float | None) -> float | None:
    """Return the fuse above 1.25 times a current (common practice), in A; ``None`` where the current is not known."""
    return None if current is None else next((size for size in _FUSES if size >= 1.25 * current), None)


def fuse_value(current: float | None) -> SetValue:
    """Return the line of a bench sheet that names the fuse for a current limit in A."""
    return SetValue(
        "Fuse in the positive lead, DC-rated for the voltage",
        fuse(current),
        "current",
        "A",
        "next standard size above 1.25 times the current limit; it protects the cable if the limit fails",
    )


def span(value: float | None, low: float, high: float) -> tuple[float | None, float | None]:
    """Return a coarse range about an estimate; nothing where there is none."""
    return (None, None) if value is None else (low * value, high * value)
