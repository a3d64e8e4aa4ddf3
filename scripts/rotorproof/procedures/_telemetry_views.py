"""Figures and words of a field-oriented drive's telemetry."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..physics.two_axis import Electrical, Mechanical, Record
from ..signs import number_text, value_text
from . import _magnets
from .base import Axis, Log, Panel, Report, Series, drawn

#: Output of a bridge over what it takes, that a drive can have at a load worth the name (common practice, no source).
_LIKELY = (0.7, 1.03)
#: Share of the largest supply power from which on a reading is compared.
_LOADED = 0.3
#: Peak of a phase over what each transform records.
_SCALES = {"amplitude": 1.0, "power": np.sqrt(2.0 / 3.0), "rms": np.sqrt(2.0)}
_NEAR = 0.05


@dataclass(frozen=True)
class Seen:
    """What the report shows: the record as peaks of a phase, both fits and the transform stated."""

    record: Record
    fitted: Electrical
    turned: Mechanical | None
    transform: str


def supply(log: Log, given: Mapping[str, float]) -> float | None:
    """Return the supply's mean voltage in V as logged, else the rated one of the nameplate, else ``None``."""
    if "supply_voltage" in log:
        return float(np.mean(log["supply_voltage"]))
    return given.get("nameplate_rated_voltage")


def report(log: Log, given: Mapping[str, float], seen: Seen, *, told_bridge: bool) -> Report:
    """Return what the report shows of a record."""
    found, record, fitted = Report(), seen.record, seen.fitted
    found.notes.append(
        f"Voltages and currents are taken as stated ({seen.transform}); {record.time.size} readings, one in "
        f"{number_text(1e3 * record.step, '.3g')} ms, over windows of {fitted.terms.length} readings."
    )
    lag = fitted.value("lag")
    late = f"{number_text(1e3 * abs(lag), '.2g')} ms"
    found.notes.append(
        f"The voltage acts {late} after its time stamp, as the drive's control computes it before it applies it; the "
        "fit takes that into account."
        if lag >= 0
        else f"The recorded voltage lags what acts by {late}, as a filtered one does; the fit takes that into account."
    )
    if told_bridge:
        found.notes.append(
            f"Dead time and drops take {number_text(fitted.value('bridge'), '.2g')} V off the voltage asked for, as "
            "the currents of the record tell."
        )
    elif "supply_voltage" not in log:
        rated = value_text(given["nameplate_rated_voltage"], "V")
        found.notes.append(
            f"The supply's voltage is not logged; the rated {rated} of the nameplate stands in for it where dead time "
            "and drops are taken for a share of it. Log 'supply_voltage' to have it measured."
        )
    if not fitted.terms.turning:
        largest = number_text(float(np.abs(fitted.speed).max()), ".2g")
        found.notes.append(f"The rotor stands: its speed, up to {largest} rad/s, is no more than scatter.")
    if "pole_pairs" not in given:
        found.notes.append(
            f"The pole pairs, {number_text(given['nameplate_pole_pairs'], '.0f')}, are those of the nameplate: no test "
            "counted them. An open-circuit test does."
        )
    if record.voltage_d is None or record.current_d is None:
        found.notes.append("Without the d axis its current is taken for zero.")
    elif fitted.terms.turning:
        turned = np.degrees(np.arctan2(fitted.value("emf_d"), fitted.value("emf")))
        found.notes.append(f"The drive's rotor angle is {number_text(float(turned), '.2g')}° off the EMF (electrical).")
    found.notes.append(_magnets.magnets(log, given).words)
    _supply(log, seen, found)
    _angle(log, record, found)
    found.panels.append(_voltage_panel(fitted))
    if seen.turned is not None:
        found.panels.append(_rotor_panel(seen.turned))
    return found


def _supply(log: Log, seen: Seen, found: Report) -> None:
    """Compare the bridge's power with the supply's: another transform than the stated one would show."""
    if "supply_voltage" not in log or "supply_current" not in log:
        return
    record = seen.record
    taken = log["supply_voltage"] * log["supply_current"]
    given_ = 1.5 * record.voltage_q * record.current_q
    if record.voltage_d is not None and record.current_d is not None:
        given_ = given_ + 1.5 * record.voltage_d * record.current_d
    loaded = taken > _LOADED * float(taken.max())
    if not loaded.any() or taken.max() <= 0:
        return
    ratio = float(np.mean(given_[loaded]) / np.mean(taken[loaded]))
    found.notes.append(
        f"The bridge gives {number_text(ratio, '.3g')} of the supply's power where that is largest; the rest is lost."
    )
    if _LIKELY[0] <= ratio <= _LIKELY[1]:
        return
    stated = _SCALES[seen.transform]
    fits = [name for name, scale in _SCALES.items() if _LIKELY[0] <= ratio * (scale / stated) ** 2 <= _LIKELY[1]]
    hint = f"; 'transform: {fits[0]}' would make it right" if len(fits) == 1 else ""
    found.warn(
        f"the bridge would give {number_text(ratio, '.3g')} of the power that it takes from the supply{hint}: look up "
        "the scale of the rotor frame in the controller's manual, and check the scales of both currents",
        "current_q",
    )


def _angle(log: Log, record: Record, found: Report) -> None:
    """Compare speed and rotor angle: their ratio is 1, the pole pairs or one over them, or a unit is wrong."""
    if "angle" not in log:
        return
    turned = np.abs((np.diff(log["angle"]) + np.pi) % (2 * np.pi) - np.pi)
    passed = 0.5 * np.abs(log["speed"][1:] + log["speed"][:-1]) * np.diff(log["time"])
    slow = (turned < 0.5 * np.pi) & (passed > 0) & (passed < 0.5 * np.pi)
    if slow.sum() < 20 or float(passed[slow].sum()) < 1.0:
        return
    ratio = float(turned[slow].sum() / passed[slow].sum())
    if not any(abs(ratio / one - 1.0) < _NEAR for one in (1.0, record.turns, 1.0 / record.turns)):
        found.warn(
            f"the angle goes {number_text(ratio, '.3g')} times as fast as the speed says, which is neither once nor "
            "the pole pairs: check the units of both and the pole pairs",
            "angle",
        )


def _voltage_panel(fitted: Electrical) -> Panel:
    """Return the q-axis voltage that is left for the resistance, over the current."""
    rows = fitted.is_q
    left, current = fitted.estimates.residuals[rows], fitted.current[rows]
    resistance = fitted.value("resistance")
    line = np.array([float(current.min()), float(current.max())])
    some = drawn(current.size)
    return Panel(
        "resistance",
        "Voltage left for the resistance",
        Axis("Current, q axis", "current", "A"),
        Axis("Voltage", "voltage", "V"),
        [
            Series("q-axis voltage less all else", current[some], (resistance * current + left)[some]),
            Series("resistance", line, resistance * line, "fit"),
        ],
        "EMF, inductance and what the bridge takes off are subtracted as fitted; the slope is the resistance.",
        residuals=[Series("q axis", current[some], left[some])],
        residual_axis=Axis("Residual", "voltage", "V"),
    )


def _rotor_panel(turned: Mechanical) -> Panel:
    """Return the current that is left to change the speed, over the slope of the speed."""
    inertia = float(turned.estimates.values[0])
    line = np.array([float(turned.slope.min()), float(turned.slope.max())])
    left = turned.estimates.residuals
    return Panel(
        "inertia",
        "Current left for the inertia",
        Axis("Slope of the speed", "angular_acceleration", "rad/s^2"),
        Axis("Current", "current", "A"),
        [
            Series("current less friction", turned.slope, inertia * turned.slope + left),
            Series("inertia", line, inertia * line, "fit"),
        ],
        "The slope is the moment of inertia over torque per ampere.",
        residuals=[Series("q axis", turned.slope, left)],
        residual_axis=Axis("Residual", "current", "A"),
    )
