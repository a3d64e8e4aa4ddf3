"""Open-circuit test: the back-EMF of the driven machine, its constants, shape, unbalance, sequence and pole pairs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ..errors import FitError, Problem
from ..physics import line_checks, waveform
from ..physics.pole_pairs import Ratio, count_pole_pairs, speed_ratio
from ..physics.regression import jackknife_covariance
from ..physics.wave_stream import REDUCED, WaveStream
from . import _emf_views as views
from ._emf_records import Record, prepare, warnings_of
from ._emf_words import CONSTANTS, agreement, line_notes, pole_pair_words
from ._unsplit import Fit, Procedure
from .base import Condition, Log, Quantity, Reducer
from .fit import Block

_EMF_SOURCE = "IEC 60050-411 (open-circuit test); peak, RMS and DC value as defined here"


class OpenCircuit(Procedure):
    """Line voltages of the driven machine at one or more speeds, fitted as one wave over the electrical angle."""

    name = "open-circuit"
    title = "Open-circuit test"
    purpose = "Find volts per speed and torque per ampere, shape and balance of the EMF, phase sequence and pole pairs."
    unit_kinds = ("motor",)
    required_columns = (
        "time",
        ("voltage_ab", "voltage_bc", "voltage_ca", "voltage_a", "voltage_b", "voltage_c"),
    )
    optional_columns = ("speed",)
    conditions = (
        Condition("speed", "speed", "mechanical speed at which the log was taken, where no column holds it"),
        Condition("magnet_temperature", "temperature", "temperature of rotor or hub during the test"),
    )
    gives = (
        "pole_pairs",
        "pole_pair_ratio",
        *CONSTANTS,
        "emf_unbalance",
        "emf_distortion",
        "phase_sequence",
    )
    quantities = (
        Quantity(
            "pole_pairs",
            "Pole pairs",
            "p",
            "number",
            "1",
            "number of pole pairs of the motor (before a gear): electrical over mechanical speed, a whole number",
            "IEC 60050-411; speed n = f / p",
        ),
        Quantity(
            "pole_pair_ratio",
            "Electrical over mechanical speed",
            "f/n",
            "number",
            "1",
            "measured ratio of electrical to mechanical speed (with a gear: of its output)",
            "definition",
        ),
        Quantity(
            "emf_constant_peak",
            "EMF constant, peak",
            "k_E,peak",
            "emf_constant",
            "V s/rad",
            "peak of the line-to-line back-EMF over mechanical speed, mean of the three lines",
            _EMF_SOURCE,
        ),
        Quantity(
            "emf_constant_rms",
            "EMF constant, RMS",
            "k_E,rms",
            "emf_constant",
            "V s/rad",
            "RMS of the line-to-line back-EMF over mechanical speed, mean of the three lines",
            _EMF_SOURCE,
        ),
        Quantity(
            "emf_constant_dc",
            "EMF constant, DC",
            "k_E,dc",
            "emf_constant",
            "V s/rad",
            "mean over one electrical turn of the largest of the six line-to-line back-EMFs, over mechanical speed",
            _EMF_SOURCE,
            preferred=("open-circuit", "no-load"),
        ),
        Quantity(
            "speed_constant",
            "Speed constant",
            "k_n",
            "speed_constant",
            "rpm/V",
            "one over the DC EMF constant: speed per volt of DC supply without load",
            "identity: 60/(2 pi k_E,dc) in rpm/V",
        ),
        Quantity(
            "torque_constant",
            "Torque constant",
            "k_T",
            "torque_constant",
            "N m/A",
            "torque per ampere of DC current under six-step drive, unsaturated",
            "power balance: equals the DC EMF constant in SI",
            preferred=("open-circuit", "locked-rotor"),
        ),
        Quantity(
            "emf_unbalance",
            "EMF unbalance",
            "d_E",
            "ratio",
            "percent",
            "largest deviation of a line-to-line RMS EMF from the mean of the three, over that mean",
            "NEMA MG 1, 14.36 (voltage unbalance)",
        ),
        Quantity(
            "emf_distortion",
            "EMF distortion",
            "THD_E",
            "ratio",
            "percent",
            "total harmonic distortion of the line-to-line EMF: RMS of all harmonics over that of the fundamental",
            "IEC 60050-551, 551-20-13 (total harmonic ratio to the fundamental)",
        ),
        Quantity(
            "phase_sequence",
            "Phase sequence",
            "s",
            "number",
            "1",
            "+1: the lines peak in the order A-B-C in positive rotation (as driven, if no sign is known); -1: A-C-B",
            "IEC 60034-8 (terminal markings and direction of rotation)",
        ),
    )
    not_covered = (
        "No recording of a real motor with a certified EMF constant is compared; simulators of others stand in.",
    )
    cautions = (
        "The open terminals of a driven machine carry voltage: insulate them, and do not touch them while it turns. "
        "Above 60 V DC or 30 V AC RMS treat them as dangerous and follow the rules for live work that hold for you.",
        "Clamp the axle against torque and keep hands, hair and clothes away from wheel, spokes and drive.",
        "Disconnect the controller: its diodes load the machine and cut the crests of the wave.",
        "Keep below the speed for which tyre, rim and rotor are made.",
    )
    minimum_rows = 24
    combines = True
    order = 30
    reduced_columns = REDUCED
    long_logs_only = True

    def reducer(self, conditions: Mapping[str, float]) -> Reducer | None:
        """Return a reducer that keeps short logs as they are and folds long ones over the electrical turn."""
        del conditions
        return WaveStream()

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit the harmonics of all lines over the electrical angle, all logs together."""
        records = [prepare(log, given) for log in logs]
        common = tuple(n for n in line_checks.LINES if all(n in r.names for r in records))
        if not common:
            raise FitError(
                "the logs have no line voltage in common; record the same lines at each speed, best all three"
            )
        records = [_only(record, common) for record in records]
        orders = min(waveform.highest_order(record.per_turn / record.averaged) for record in records)
        blocks = [waveform.equations(record.folded(), orders) for record in records]
        first = near is None
        c = waveform.coefficients(blocks, jackknife=first)
        sequence = records[0].rotation
        full = waveform.complete(c.best, sequence)
        choice = self._choose(records, c, full, given) if near is None else dict(near.details["choice"])
        values = _outputs(full, choice, len(common))
        wave = {name: float(v) for name, v in zip(_names(len(common)), values, strict=True)}
        ratio = _ratio(records)
        if not first:
            fixed = [_exact(name, choice[name]) for name in ("pole_pairs", "factor_count") if choice[name]]
            parts = [Block("wave", wave, np.zeros((len(wave), len(wave))), np.inf), *fixed]
            if ratio:
                parts.append(Block("ratio", {"ratio": ratio.value}, np.zeros((1, 1)), np.inf))
            if len(common) > 1:
                parts.append(_exact("phase_sequence", choice["phase_sequence"]))
            return Fit(parts, details={"choice": choice})
        return self._report(records, blocks, c, full, choice=choice, wave=wave, ratio=ratio, given=given)

    def _choose(
        self, records: Sequence[Record], c: waveform.Coefficients, full: np.ndarray, given: Mapping[str, float]
    ) -> dict[str, Any]:
        """Make the decisions that stay as they are while the engine varies the inputs."""
        spread = waveform.complete(c.without, records[0].rotation)
        both = waveform.Coefficients(full, spread)
        kept = waveform.significant(both)
        top = waveform.corner_end(full, kept)
        noise = float(both.variance()[1:].sum() / np.sum(np.abs(full[0]) ** 2))
        ratio, count = _ratio(records), None
        gear = given.get("nameplate_gear_ratio", 1.0)
        if ratio:
            levels = [r.stated for r in records if r.speed is not None]
            known = [s for s in levels if s is not None]
            stated = max(known) if len(known) == len(levels) else None
            count = count_pole_pairs(ratio, stated, gear)
        poles = count.pole_pairs if count else None
        # A whole number makes the time base the measure of speed; behind a gear of rounded ratio it does not.
        factor = float(poles) if poles and gear == 1.0 else 0.0
        if not ratio and "nameplate_pole_pairs" in given:
            factor = given["nameplate_pole_pairs"] * gear
        return {
            "orders": [bool(k) for k in kept],
            "corner_order": top,
            "crest_bias": waveform.crest_bias(both, kept, top),
            "noise": noise,
            "pole_pairs": poles or 0,
            "factor_count": factor,
            "phase_sequence": records[0].sequence,
            "words": count.words if count else "",
        }

    def _report(
        self,
        records: Sequence[Record],
        blocks: Sequence[waveform.Blocks],
        c: waveform.Coefficients,
        full: np.ndarray,
        *,
        choice: dict[str, Any],
        wave: dict[str, float],
        ratio: Ratio | None,
        given: Mapping[str, float],
    ) -> Fit:
        names, kept = records[0].names, np.asarray(choice["orders"])
        spread = waveform.complete(c.without, records[0].rotation)
        covariance = _covariance(spread, choice, wave, len(names))
        warnings = [problem for record in records for problem in warnings_of(record, self.name)]
        each = [waveform.coefficients([b]) for b in blocks]
        peaks = np.array([_outputs(waveform.complete(e.best, choice["phase_sequence"]), choice, 3)[:2] for e in each])
        widening, words = agreement(records, each, kept, peaks[:, 1])
        if words:
            warnings.append(Problem(words, severity="warning", procedure=self.name))
        covariance *= widening
        parts = [Block("scatter of the EMF readings", wave, covariance, float(len(c.without) - 1))]
        # Half of what extrapolation and noise correction took off stands for what they may have missed.
        cut = waveform.cut_off(full * kept[:, None], choice["corner_order"])
        left = 0.25 * (cut**2 + (choice["crest_bias"] * wave["linkage_peak"]) ** 2)
        parts.append(Block("corrections of the crest", {"crest": 0.0}, np.array([[left]]), np.inf))
        missing: dict[str, str] = {}
        notes = line_notes(names, len(kept))
        if ratio:
            spread_of = np.array([[ratio.scatter**2]])
            dof = ratio.degrees_of_freedom
            parts.append(Block("scatter of the speed readings", {"ratio": ratio.value}, spread_of, dof))
        for name in ("pole_pairs", "factor_count"):
            if choice[name]:
                parts.append(_exact(name, choice[name]))
        if len(names) > 1:
            if len({record.sequence for record in records}) == 1:
                parts.append(_exact("phase_sequence", choice["phase_sequence"]))
            else:
                missing["phase_sequence"] = (
                    "the records show both phase sequences; give the speed its sign (negative for backward rotation), "
                    "or check the probes"
                )
        else:
            lack = "only one line voltage was recorded; record at least two, best all three"
            missing |= {"phase_sequence": lack, "emf_unbalance": lack}
        pole_notes = pole_pair_words(choice, ratio, given, missing, notes, warnings, self.name)
        factor = choice["factor_count"] or (ratio.value if ratio else None)
        if given.get("nameplate_freewheel"):
            notes.append("The unit has a freewheel: the EMF appears only when it is driven in the locked direction.")
        noise = np.sqrt(waveform.Coefficients(full, spread).variance().mean(axis=1) / np.mean(np.abs(full[0]) ** 2) / 2)
        low, high = (f(r.electrical_speed for r in records) / (2 * np.pi) for f in (min, max))
        notes.append(
            f"{len(records)} record(s), {low:.2f} Hz to {high:.2f} Hz electrical; harmonics up to order {len(kept)}; "
            f"blocks of whole electrical turns left out in turn give the scatter ({len(c.without)} blocks)."
        )
        notes += [
            f"{record.label} holds {record.readings:.0f} readings. They were averaged by electrical angle while they "
            f"were read, in {int(record.block[-1]) + 1} blocks of turns, which keeps all that the fit uses."
            for record in records
            if record.block is not None
        ]
        harmonics = [
            {"order": h + 1, "percent": 100 * float(s), "standard_uncertainty_percent": 100 * float(noise[h])}
            for h, s in enumerate(views.pooled(full))
        ]
        panels = [
            views.wave_panel(records, names, [b.offset for b in blocks], c.best),
            views.harmonics_panel(full, kept),
            views.speed_panel(records, peaks[:, 0], wave["linkage_peak"], factor),
        ]
        tables = [views.records_table(records, peaks[:, 0]), views.harmonics_table(full, kept, noise)]
        return Fit(
            parts,
            panels=panels,
            tables=tables,
            notes=notes,
            warnings=warnings,
            missing=missing,
            details={"choice": choice, "lines": list(names), "harmonics": harmonics},
            quantity_notes={"pole_pairs": pole_notes} if choice["pole_pairs"] else {},
        )

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the constants per mechanical speed and the shape, from linkages per electrical speed."""
        del given
        result = {"emf_distortion": parameters["distortion"]}
        if "unbalance" in parameters:
            result["emf_unbalance"] = parameters["unbalance"]
        for name in ("pole_pairs", "phase_sequence"):
            if name in parameters:
                result[name] = parameters[name]
        if "ratio" in parameters:
            result["pole_pair_ratio"] = parameters["ratio"]
        factor = parameters.get("factor_count", parameters.get("ratio"))
        if factor is not None:
            for kind in ("peak", "rms", "dc"):
                result[f"emf_constant_{kind}"] = parameters[f"linkage_{kind}"] * factor
            result["emf_constant_peak"] += parameters.get("crest", 0.0) * factor
            result["speed_constant"] = 1.0 / result["emf_constant_dc"]
            result["torque_constant"] = result["emf_constant_dc"]
        return result


def _only(record: Record, names: tuple[str, ...]) -> Record:
    rows = [record.names.index(name) for name in names]
    spread = None if record.spread is None else record.spread[rows]
    return replace(record, names=names, lines=record.lines[rows], spread=spread)


def _names(lines: int) -> list[str]:
    names = ["linkage_peak", "linkage_rms", "linkage_dc", "distortion"]
    return names if lines == 1 else [*names, "unbalance"]


def _outputs(full: np.ndarray, choice: Mapping[str, Any], lines: int) -> np.ndarray:
    """Return peak, RMS, DC linkage, distortion and (with two lines or more) unbalance."""
    wave = full * np.asarray(choice["orders"])[:, None]
    squared = max(float(waveform.distortion_squared(full)) - choice["noise"], 0.0)
    values = [*waveform.peak_rms_dc(wave, choice["corner_order"]), np.sqrt(squared)]
    values[0] /= 1.0 + choice["crest_bias"]
    return np.array(values if lines == 1 else [*values, float(waveform.unbalance(wave))])


def _covariance(spread: np.ndarray, choice: Mapping[str, Any], wave: Mapping[str, float], lines: int) -> np.ndarray:
    """Return the jackknife covariance of the outputs, in the order of ``wave``."""
    chosen = spread * np.asarray(choice["orders"])[:, None]
    squared = waveform.distortion_squared(spread)
    columns = [waveform.peak_rms_dc(chosen, choice["corner_order"]), squared[:, None]]
    if lines > 1:
        columns.append(waveform.unbalance(chosen)[:, None])
    covariance = jackknife_covariance(np.hstack(columns))
    # From the square of the distortion to itself. Near zero the square root has no slope: there the
    # uncertainty is the value that would just stand out of the noise.
    u_squared = float(np.sqrt(covariance[3, 3]))
    value = wave["distortion"]
    slope = 0.5 / value if value**2 > 2 * u_squared else 1.0 / np.sqrt(2 * u_squared) if u_squared > 0 else 0.0
    covariance[3, :] *= slope
    covariance[:, 3] *= slope
    return covariance


def _exact(name: str, value: float) -> Block:
    return Block(f"{name.replace('_', ' ')}, a count", {name: float(value)}, np.zeros((1, 1)), np.inf)


def _ratio(records: Sequence[Record]) -> Ratio | None:
    groups = [stretch for record in records for stretch in record.stretches]
    return speed_ratio(groups) if groups else None


PROCEDURE = OpenCircuit()
