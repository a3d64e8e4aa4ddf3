"""What the open-circuit test says in words: agreement of the records, what is missing and why, warnings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..physics import line_checks, waveform
from ..physics.regression import jackknife_covariance
from ._emf_records import Record
from .base import Report, line_title

CONSTANTS = ("emf_constant_peak", "emf_constant_rms", "emf_constant_dc", "speed_constant", "torque_constant")


def agreement(
    records: Sequence[Record], each: Sequence[waveform.Coefficients], kept: np.ndarray, rms: np.ndarray
) -> tuple[float, str]:
    """Return the factor that widens the covariance where records disagree beyond their scatter, and a warning."""
    if len(records) < 2:
        return 1.0, ""
    own = [np.sqrt(0.5 * np.sum(np.abs(e.without * kept[:, None]) ** 2, axis=1)).mean(axis=1) for e in each]
    variance = np.array([float(jackknife_covariance(v[:, None])[0, 0]) for v in own])
    weight = 1.0 / np.maximum(variance, (1e-9 * rms) ** 2)
    mean = float(np.sum(weight * rms) / weight.sum())
    birge = float(np.sum(weight * (rms - mean) ** 2) / (len(records) - 1))
    furthest = int(np.argmax(np.abs(rms / mean - 1)))
    away = float(rms[furthest] / mean - 1)
    words = (
        f"the records disagree: {records[furthest].label} gives {100 * abs(away):.1f} % "
        f"{'more' if away > 0 else 'less'} EMF per speed than their mean; check its range and whether the "
        "machine was warm"
        if birge > 4 and abs(away) > 0.01
        else ""
    )
    return max(1.0, birge), words


def line_notes(names: Sequence[str], orders: int) -> list[str]:
    """Say which lines are derived or assumed and where the harmonics end."""
    notes = []
    if len(names) == 2:
        third = next(n for n in line_checks.LINES if n not in names)
        notes.append(
            f"Line {line_title(third)} is derived as minus the sum of the two others, which holds at "
            "every instant; a wrong gain of one probe is then not seen."
        )
    if len(names) == 1:
        notes.append(
            "Only one line voltage was used: the DC constant takes the three lines as alike and a third of a turn "
            "apart."
        )
    if orders < 13:
        notes.append(f"Few readings per electrical turn: harmonics above order {orders} are not in the distortion.")
    return notes


def pole_pair_words(pole_pairs: int, found: str, speed_known: bool, given: Mapping[str, float], report: Report) -> None:
    """Say how the pole pairs were found, in the words ``found``, or why not, and what the constants refer to."""
    gear, plate = given.get("nameplate_gear_ratio", 1.0), given.get("nameplate_pole_pairs")
    if gear != 1.0:
        report.notes.append(
            f"Gear ratio {gear:g}: the constants refer to the speed of the output, where it was measured."
        )
    if not speed_known:
        if plate is not None:
            report.notes.append(
                f"Speed was not measured: it follows from the frequency and the stated {plate:.0f} pole pairs"
                + (f" and gear ratio {gear:g}." if gear != 1.0 else ".")
            )
        return
    if not pole_pairs:
        report.notes.append(
            "The constants use the measured speed itself, since no whole number of pole pairs was found."
        )
        return
    if plate is not None and round(plate) != pole_pairs:
        report.warn(
            f"the measured pole pairs are {pole_pairs}, the nameplate says {plate:.0f}; {found}. The measured count is "
            "used: check the nameplate, the gear ratio and the unit of the speed"
        )
    if gear == 1.0:
        report.notes.append("Speed for the constants: frequency over pole pairs, as exact as the time base.")
    report.quantity_notes["pole_pairs"] = [f"A count, so without uncertainty: {found}."]
