"""Invented position sensors on an invented machine: threshold, seat, unlike magnets, comparator noise, bounce.

A sensor is high while the field over it exceeds its threshold; each crossing is placed in the electrical angle,
shifted for the magnet that passes and for noise, and carried to time by inverting the angle of a rippling speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulation.open_circuit import RPM, Machine, Scope

DEGREE = np.pi / 180


@dataclass(frozen=True)
class Sensors:
    """``places`` electrical degrees by which each sensor lags the EMF A-B; ``thresholds`` relative to the crest of the
    field (0: even duty); ``jitter`` and ``magnets`` in electrical degrees; ``bounce`` pulses per edge.
    """

    places: tuple[float, float, float] = (0.0, 120.0, 240.0)
    thresholds: tuple[float, float, float] = (0.0, 0.0, 0.0)
    inverted: tuple[bool, bool, bool] = (False, False, False)
    jitter: float = 0.3
    magnets: float = 0.0
    bounce: float = 0.0

    def edges(self, sensor: int) -> tuple[float, float]:
        """Return where the sensor rises and falls in electrical degrees."""
        lean = np.degrees(np.arcsin(self.thresholds[sensor]))
        rise, fall = self.places[sensor] + lean, self.places[sensor] + 180 - lean
        return (fall, rise + 360) if self.inverted[sensor] else (rise, fall)


def hall_log(
    sensors: Sensors,
    machine: Machine,
    scope: Scope,
    rng: np.random.Generator,
    *,
    speed_rpm: float = 60.0,
    seconds: float = 2.0,
    ripple: float = 0.0,
    drift: float = 0.0,
) -> dict[str, np.ndarray]:
    """Return columns ``time``, three line voltages and three sensor levels, sampled together."""
    count = int(seconds * scope.rate)
    time = np.arange(count) / scope.rate
    dense = np.linspace(-0.05 * seconds, 1.05 * seconds, 8 * count)
    speed = speed_rpm * RPM * (1 + drift * (dense / seconds - 0.5))
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(dense))]) + rng.uniform(0, 6)
    speed = speed * (1 + ripple * np.cos(angle))
    angle = angle[0] + np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(dense))])
    now = np.interp(time, dense, angle)
    volts = scope.read(machine.lines(now) * np.interp(time, dense, speed), rng)
    columns = {"time": time, "voltage_ab": volts[0], "voltage_bc": volts[1], "voltage_ca": volts[2]}
    # The EMF A-B of the machine leads the angle of its phase A by 30 degrees.
    electrical = machine.pole_pairs * angle + np.pi / 6
    unlike = rng.normal(0, sensors.magnets, 2 * machine.pole_pairs) * DEGREE
    first, last = int(electrical[0] // (2 * np.pi)) - 2, int(electrical[-1] // (2 * np.pi)) + 2
    turns = np.arange(first, last)
    for s, name in enumerate("abc"):
        moments, rising = [], []
        for kind, degrees in enumerate(sensors.edges(s)):
            pole = np.floor((degrees * DEGREE + 2 * np.pi * turns) / np.pi).astype(int) % (2 * machine.pole_pairs)
            place = degrees * DEGREE + 2 * np.pi * turns + unlike[pole]
            place = place + rng.normal(0, sensors.jitter, turns.size) * DEGREE
            moments.append(np.interp(place, electrical, dense, left=-np.inf, right=np.inf))
            rising.append(np.full(turns.size, 1 - kind))
        moment, up = np.concatenate(moments), np.concatenate(rising)
        order = np.argsort(moment, kind="stable")
        moment, up = moment[order], up[order]
        before = np.searchsorted(moment, time, side="right") - 1
        level = up[np.clip(before, 0, up.size - 1)].astype(float)
        for edge in moment[(moment > 0) & (moment < seconds)]:
            if rng.random() < sensors.bounce:
                start = int((edge + rng.uniform(0, 0.3) / (speed_rpm * RPM * machine.pole_pairs)) * scope.rate)
                level[start : start + 2] = 1 - level[start : start + 2]
        columns[f"hall_{name}"] = level
    return columns
