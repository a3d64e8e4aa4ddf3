"""Motors, controllers, benches and vehicles drawn at random, as light vehicles with hub motors have them.

The ranges are common practice, no source: direct and geared hub motors of 200 W to 1500 W for 36 V and 48 V. The
magnets' coefficient is that of NdFeB, about -0.1 % per kelvin of remanence (makers' tables give -0.09 to -0.13; from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulation.independent.instruments import Instrument
from tests.simulation.independent.machine import Body, Controller, Drag, Motor
from tests.simulation.independent.waveform import between, trapezoid_harmonic

SLOTS_AND_POLES = ((36, 20), (51, 23), (63, 28), (36, 16), (54, 30), (45, 20), (27, 15), (54, 26))
GEARED = ((18, 8), (24, 10), (18, 10), (12, 5), (24, 11))


def draw_motor(rng: np.random.Generator) -> Motor:
    """One motor: direct or geared, sine to trapezoid, surface or interior magnets, star or delta."""
    geared = rng.random() < 0.3
    slots, pairs = (GEARED if geared else SLOTS_AND_POLES)[rng.integers(5 if geared else 8)]
    gear = float(rng.choice([4.0, 4.4, 5.0])) if geared else 1.0
    volts = float(rng.choice([36.0, 36.0, 48.0]))
    watts = float(rng.choice([200, 250, 250, 350, 500, 750, 1000, 1500]))
    no_load = rng.uniform(200, 330) * np.pi / 30
    constant = volts / no_load
    size = np.sqrt(watts / 250)
    ratio = pairs * gear
    squareness = float(rng.choice([0.0, 1.0])) if rng.random() < 0.2 else rng.uniform(0, 1)
    extra = {
        n: complex(rng.normal(0, s), rng.normal(0, s))
        for n, s in ((2, 0.003), (3, 0.02), (5, 0.01), (7, 0.006), (11, 0.003))
    }
    scales = 1 + rng.normal(0, 0.003, 3)
    delta = bool(rng.random() < 0.25)
    if delta:
        # A delta is wound so that the third harmonic all but cancels (coils of two thirds of a pole pitch).
        extra[3] = 0.05 * extra[3] - 0.95 * squareness * trapezoid_harmonic(3) / trapezoid_harmonic(1)
    # The amplitude that gives about the DC constant asked for: between 1.65 (sine) and 2/1.21 (trapezoid) lines per
    # phase.
    waveform = between(squareness, constant / (1.655 * ratio), scales / scales.mean(), extra)
    resistance = 0.115 * (volts / 36) ** 2 * (250 / watts) ** 0.9 * rng.uniform(0.7, 1.4)
    inductance = resistance * rng.uniform(0.9e-3, 2.6e-3) * (0.5 if geared else 1.0)
    saliency = rng.uniform(1.15, 1.8) if rng.random() < 0.3 else 1 + abs(rng.normal(0, 0.02))
    rated_current = watts / volts / 0.8
    cogging = _draw_cogging(rng, slots, pairs, gear, size)
    drag = Drag(
        coulomb=rng.uniform(0.12, 0.4) * size * (1.5 if geared else 1),
        stribeck=rng.uniform(0.0, 0.06) * size,
        stribeck_speed=rng.uniform(0.4, 2.0),
        viscous=rng.uniform(0.002, 0.010) * size,
        air=rng.uniform(2e-5, 1.2e-4),
        hysteresis=rng.uniform(0.05, 0.3) * size,
        eddy=rng.uniform(0.001, 0.006) * size,
        grease_excess=rng.uniform(0.05, 0.5),
        grease_time=rng.uniform(150, 500),
    )
    body = Body(
        winding_capacity=rng.uniform(250, 500) * size**1.5,
        housing_capacity=rng.uniform(1400, 2600) * size**1.5,
        winding_to_housing=rng.uniform(0.2, 0.5) / size,
        housing_to_air=rng.uniform(0.45, 0.8) / size,
        convection=rng.uniform(0.1, 0.28),
    )
    sensors = np.radians(rng.normal(0, 1.5, 3)[:, None] + rng.normal(0, 0.4, (3, 2)) + rng.normal(0, 2.0))
    insulation = (10 ** rng.uniform(7.5, 10), rng.uniform(1.5, 5), rng.uniform(0.1, 0.4))
    return Motor(
        pole_pairs=pairs,
        gear=gear,
        freewheel=bool(geared and rng.random() < 0.7),
        slots=slots,
        material="copper",
        insulation_class=str(rng.choice(["B", "F"])),
        rated_voltage=volts,
        rated_power=watts,
        rated_speed=round(no_load * 0.8 * 30 / np.pi) * np.pi / 30,
        resistance=resistance * (1 + rng.normal(0, 0.004, 3)),
        inductance_d=inductance,
        inductance_q=inductance * saliency,
        spread=inductance * rng.normal(0, 0.004, 3),
        waveform=waveform,
        knee=rated_current * rng.uniform(6, 16),
        magnet_coefficient=-rng.uniform(0.0009, 0.0012),
        sensors=sensors,
        jitter=np.radians(rng.uniform(0.05, 0.4)),
        cogging=tuple(cogging),
        drag=drag,
        body=body,
        inertia=rng.uniform(0.04, 0.15) * size,
        mesh=rng.uniform(0.965, 0.985) if geared else 1.0,
        delta=delta,
        insulation=insulation,
        insulation_halving=rng.uniform(8.0, 14.0),
    )


def _draw_cogging(
    rng: np.random.Generator, slots: int, pairs: int, gear: float, size: float
) -> tuple[tuple[int, float, float], ...]:
    """Orders per output turn: the least common multiple of slots and poles, and those that unlike magnets and slots
    add.

    Where that multiple is high its part is weak and the others prevail (Hendershot and Miller, from memory).
    """
    ideal = int(np.lcm(slots, 2 * pairs))
    weight = min(1.0, 400 / ideal) ** 2
    parts = [
        (ideal, weight * rng.uniform(0.02, 0.2)),
        (2 * pairs, rng.uniform(0.002, 0.03)),
        (slots, rng.uniform(0.002, 0.03)),
    ]
    return tuple((round(order * gear), amount * size, rng.uniform(0, 2 * np.pi)) for order, amount in parts)


def draw_controller(rng: np.random.Generator) -> Controller:
    """One six-step controller for the bench, and for the pack."""
    return Controller(
        switch=rng.uniform(0.003, 0.010),
        diode_drop=rng.uniform(0.7, 0.9),
        diode=rng.uniform(0.002, 0.006),
        delay=rng.uniform(10e-6, 80e-6),
        standby_current=rng.uniform(0.0, 0.08),
        standby_power=rng.uniform(0.2, 1.5),
        switching=rng.uniform(5e-8, 1.2e-7),
        frequency=rng.uniform(14e3, 20e3),
    )


@dataclass
class Bench:
    """One workshop: its instruments, its air, its habits.

    air: degC; bits: of the scope; hum: share of its full scale; highest: V the supply reaches, which sags by
    supply_resistance, ohm.
    """

    instruments: dict[str, Instrument]
    air: float
    bits: int
    hum: float
    highest: float
    supply_resistance: float


def draw_bench(rng: np.random.Generator) -> Bench:
    """One bench: of good instruments like a small test house, or of plain ones like a repair shop."""
    good = rng.random() < 0.5

    def serial() -> str:
        return f"IB-{rng.integers(10000, 99999)}"

    scope_accuracy = (0.5, 50, "mV") if good else (2.0, 100, "mV")
    instruments = {
        "dmm": Instrument(
            "bench multimeter",
            serial(),
            {"voltage": (0.05, 0.3, "mV"), "current": (0.2, 1, "mA")}
            if good
            else {"voltage": (0.5, 0.5, "mV"), "current": (1.0, 3, "mA")},
        ),
        "meters": Instrument(
            "supply meters",
            serial(),
            {"voltage": (0.1, 5, "mV"), "current": (0.5, 2, "mA")}
            if good
            else {"voltage": (0.5, 20, "mV"), "current": (1.0, 5, "mA")},
        ),
        "scope": Instrument(
            "oscilloscope",
            serial(),
            {"voltage": scope_accuracy, "time": (0.005 if good else 0.01, 0, "s")},
            own_inputs=True,
        ),
        "tachometer": Instrument("optical tachometer", serial(), {"speed": (0.05, 0.2 if good else 0.5, "rpm")}),
        "thermometer": Instrument(
            "thermocouple thermometer",
            serial(),
            {"temperature": (0, 1.0 if good else 2.0, "degC")},
            # Sensors of unlike places are mostly unlike sensors, whether unit.yaml says so or not.
            own_inputs=bool(rng.random() < 0.8),
            says_so=bool(rng.random() < 0.3),
        ),
        "brake": Instrument(
            "reaction brake with load cell",
            serial(),
            {"torque": (0.5 if good else 1.0, 0.03 if good else 0.08, "N m"), "angle": (0, 0.2, "deg")},
        ),
        "megohmmeter": Instrument(
            "insulation tester, 500 V", serial(), {"resistance": (5, 0, "ohm"), "voltage": (2, 0, "V")}
        ),
        "lcr": Instrument(
            "LCR meter", serial(), {"inductance": (0.5, 0.2, "uH")} if good else {"inductance": (1.5, 1.0, "uH")}
        ),
    }
    return Bench(
        instruments,
        rng.uniform(15, 28),
        12 if good else 8,
        rng.uniform(0, 0.004),
        float(rng.choice([24.0, 30.0, 36.0])),
        rng.uniform(0.01, 0.08),
    )


@dataclass(frozen=True)
class Vehicle:
    """The true pack and vehicle, of which the settings state a value and its standard uncertainty. SI units."""

    voltage: float
    resistance: float
    supply_limit: float
    motor_limit: float
    winding: float
    mass: float
    rolling: float
    drag_area: float
    circumference: float
    air_density: float
    cruise: float


def draw_vehicle(rng: np.random.Generator) -> Vehicle:
    """Pack and vehicle as true values behind those stated in config/config.yaml, each normal within what is stated
    there."""
    return Vehicle(
        voltage=36.0,
        resistance=rng.normal(0.12, 0.02),
        supply_limit=15.0,
        motor_limit=30.0,
        winding=60.0,
        mass=rng.normal(110, 2),
        rolling=rng.normal(0.008, 0.001),
        drag_area=rng.normal(0.55, 0.05),
        circumference=rng.normal(2.10, 0.01),
        air_density=rng.normal(1.20, 0.02),
        cruise=20 / 3.6,
    )
