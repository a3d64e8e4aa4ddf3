"""Open-circuit test: the back-EMF of the driven machine, its constants, shape, unbalance, sequence and pole pairs."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ..errors import FitError
from ..physics import line_checks, magnets, waveform
from ..physics.pole_pairs import Count, Ratio, count_pole_pairs, speed_ratio
from ..physics.regression import jackknife_covariance
from ..physics.wave_stream import REDUCED, WaveStream
from . import _emf_views as views
from . import _magnets
from ._emf_records import WAVE_SCATTER, Record, prepare, wave_left
from ._emf_words import CONSTANTS, agreement, line_notes, pole_pair_words
from .assumption import MAGNET_COEFFICIENT
from .base import Condition, Lack, Log, Procedure, Quantity, Reducer, Report, in_rpm
from .fit import Fit

SHAPE = {5: "Fifth", 7: "Seventh"}
_EMF_SOURCE = "IEC 60050-411 (open-circuit test); peak, RMS and DC value as defined here"


@dataclass(frozen=True)
class Choice:
    """What stays while readings are shifted.

    ``orders`` harmonics of ``lines`` are fitted, those ``kept`` stand out of the noise, whose square is ``noise`` of
    the fundamental's. ``corner_order`` and ``crest_bias`` correct the crest. ``without`` holds the harmonics
    ``(M, H, k)`` with one block of turns left out after the other; records that disagree widen what follows from it by
    ``widening``. ``factor_count`` is the electrical over the mechanical speed where a whole number gives it, else 0.
    """

    lines: tuple[str, ...]
    orders: int
    kept: np.ndarray
    corner_order: int
    crest_bias: float
    noise: float
    without: np.ndarray
    widening: float
    disagreement: str
    pole_pairs: int
    factor_count: float
    sequence: int
    words: str


@dataclass(frozen=True)
class Seen:
    """What the report shows: records, their normal equations, harmonics as fitted and of all three lines."""

    records: Sequence[Record]
    blocks: Sequence[waveform.Blocks]
    fitted: np.ndarray
    full: np.ndarray
    ratio: Ratio | None


_OF_TWO_LINES, _OF_SPEED = ("phase_sequence", "emf_unbalance"), ("pole_pairs", "pole_pair_ratio")
_ONE_LINE = "only one line voltage was recorded; record at least two, best all three"
_NO_SPEED = "no speed was measured; add a speed column or the condition 'speed'"
_NO_PAIRS = (
    "neither speed nor pole pairs are known; add a speed column, the condition 'speed' or the nameplate's pole_pairs"
)


def _any_line(log: Log) -> bool:
    return any(f"voltage_{pair}" in log for pair in line_checks.LINES) or sum(f"voltage_{p}" in log for p in "abc") > 1


class OpenCircuit(Procedure):
    """Line voltages of the driven machine at one or more speeds, fitted as one wave over the electrical angle."""

    name = "open-circuit"
    title = "Open-circuit test"
    purpose = "Find volts per speed and torque per ampere, shape and balance of the EMF, phase sequence and pole pairs."
    unit_kinds = ("motor",)
    required_columns = ("time", ("voltage_ab", "voltage_bc", "voltage_ca", "voltage_a", "voltage_b", "voltage_c"))
    optional_columns = ("speed",)
    conditions = (
        Condition("speed", "speed", "mechanical speed at which the log was taken, where no column holds it"),
        _magnets.CONDITION,
    )
    assumptions = (MAGNET_COEFFICIENT,)
    gives = (
        "pole_pairs",
        "pole_pair_ratio",
        *CONSTANTS,
        "emf_unbalance",
        "emf_distortion",
        *(f"emf_harmonic_{order}" for order in SHAPE),
        "phase_sequence",
    )
    # fmt: off
    quantities = (
        Quantity(
            "pole_pairs", "Pole pairs", "p", "number", "1",
            "number of pole pairs of the motor (before a gear): electrical over mechanical speed, a whole number",
            "IEC 60050-411; speed n = f / p",
            least=1.0,
        ),
        Quantity(
            "pole_pair_ratio", "Electrical over mechanical speed", "f/n", "number", "1",
            "measured ratio of electrical to mechanical speed (with a gear: of its output)",
            "definition",
            least=0.0,
        ),
        Quantity(
            "emf_constant_peak", "EMF constant, peak", "k_E,peak", "emf_constant", "V s/rad",
            "peak of the line-to-line back-EMF (half its height from trough to crest) over mechanical speed, mean of "
            f"the three lines, {_magnets.AT_20}",
            _EMF_SOURCE,
            reference=_magnets.REFERENCE,
            least=0.0,
        ),
        Quantity(
            "emf_constant_rms", "EMF constant, RMS", "k_E,rms", "emf_constant", "V s/rad",
            f"RMS of the line-to-line back-EMF over mechanical speed, mean of the three lines, {_magnets.AT_20}",
            _EMF_SOURCE,
            reference=_magnets.REFERENCE,
            least=0.0,
        ),
        Quantity(
            "emf_constant_dc", "EMF constant, DC", "k_E,dc", "emf_constant", "V s/rad",
            "mean over one electrical turn of the largest of the six line-to-line back-EMFs, over mechanical speed, "
            f"{_magnets.AT_20}",
            _EMF_SOURCE,
            reference=_magnets.REFERENCE,
            preferred=("open-circuit", "no-load"),
            key=2,
            least=0.0,
        ),
        Quantity(
            "speed_constant", "Speed constant", "k_n", "speed_constant", "rpm/V",
            f"one over the DC EMF constant: speed per volt of DC supply without load, {_magnets.AT_20}",
            "identity: 60/(2 pi k_E,dc) in rpm/V",
            reference=_magnets.REFERENCE,
            key=3,
            least=0.0,
        ),
        Quantity(
            "torque_constant", "Torque constant", "k_T", "torque_constant", "N m/A",
            f"torque per ampere of DC current under six-step drive, unsaturated, {_magnets.AT_20}",
            "power balance: equals the DC EMF constant in SI",
            reference=_magnets.REFERENCE,
            preferred=("open-circuit", "locked-rotor"),
            least=0.0,
        ),
        Quantity(
            "emf_unbalance", "EMF unbalance", "d_E", "ratio", "percent",
            "largest deviation of a line-to-line RMS EMF from the mean of the three, over that mean",
            "NEMA MG 1, 14.36 (voltage unbalance)",
            remedy="measure the winding's resistances; shorted turns lower the EMF of their phase",
            least=0.0,
            largest_of=3,
        ),
        Quantity(
            "emf_distortion", "EMF distortion", "THD_E", "ratio", "percent",
            "total harmonic distortion of the line-to-line EMF: RMS of all harmonics over that of the fundamental",
            "IEC 60050-551, 551-20-13 (total harmonic ratio to the fundamental)",
            least=0.0,
        ),
        *(
            Quantity(
                f"emf_harmonic_{order}", f"{words} harmonic of the EMF", f"h_{order}", "ratio", "percent",
                f"amplitude of the {words.lower()} harmonic of the line-to-line EMF over that of the fundamental, as "
                "far as it is in phase with the fundamental's crest (negative: it lowers the crest), mean of the lines",
                "Fourier series about the crest; harmonic content after IEC 60050-551",
                no_bound="of either sign, by its phase",
            )
            for order, words in SHAPE.items()
        ),
        Quantity(
            "phase_sequence", "Phase sequence", "s", "number", "1",
            "+1: the lines peak in the order A-B-C in positive rotation (as driven, if no sign is known); −1: A-C-B",
            "IEC 60034-8 (terminal markings and direction of rotation)",
            meanings=((1.0, "A-B-C"), (-1.0, "A-C-B")),
        ),
    )
    # fmt: on
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
    minutes = 40
    reduced_columns = REDUCED
    long_logs_only = True

    def reducer(self, conditions: Mapping[str, float]) -> Reducer | None:
        """Return a reducer that keeps short logs as they are and folds long ones over the electrical turn."""
        return WaveStream()

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what needs a second line, what needs a speed, and what needs pole pairs in its place."""
        lines = [set(line_checks.line_voltages(log.columns)[0]) for log in logs if _any_line(log)]
        found = [Lack(_ONE_LINE, _OF_TWO_LINES)] if lines and len(set.intersection(*lines)) == 1 else []
        if not any("speed" in log or "speed" in log.conditions for log in logs):
            found.append(Lack(_NO_SPEED, _OF_SPEED))
            if "nameplate_pole_pairs" not in known:
                found.append(Lack(_NO_PAIRS, CONSTANTS))
        return found

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> Choice:
        """Decide which harmonics stand out, where the crest ends, and whether a whole number of pole pairs fits."""
        records = [prepare(log, given) for log in logs]
        lines = tuple(n for n in line_checks.LINES if all(n in r.names for r in records))
        if not lines:
            raise FitError(
                "the logs have no line voltage in common; record the same lines at each speed, best all three"
            )
        orders = min(waveform.highest_order(record.per_turn / record.averaged) for record in records)
        records, blocks = _equations(records, lines, orders)
        c, sequence = waveform.coefficients(blocks), records[0].rotation
        both = waveform.Coefficients(waveform.complete(c.best, sequence), waveform.complete(c.without, sequence))
        kept = waveform.significant(both)
        top = waveform.corner_end(both.best, kept)
        ratio, count = _ratio(records), None
        gear = given.get("nameplate_gear_ratio", 1.0)
        if ratio:
            count = _count(records, ratio, gear)
        poles = count.pole_pairs if count else None
        # A whole number makes the time base the measure of speed; behind a gear of rounded ratio it does not.
        factor = float(poles) if poles and gear == 1.0 else 0.0
        if not ratio and "nameplate_pole_pairs" in given:
            factor = given["nameplate_pole_pairs"] * gear
        choice = Choice(
            lines,
            orders,
            kept,
            top,
            waveform.crest_bias(both, kept, top),
            float(both.variance()[1:].sum() / np.sum(np.abs(both.best[0]) ** 2)),
            both.without,
            1.0,
            "",
            poles or 0,
            factor,
            records[0].sequence,
            count.words if count else "",
        )
        each = [waveform.coefficients([b]) for b in blocks]
        widening, words = agreement(records, each, kept, _peaks(blocks, choice)[:, 1])
        return replace(choice, widening=widening, disagreement=words)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice) -> Fit:
        """Fit the harmonics of all lines over the electrical angle, all logs together."""
        fit = Fit()
        records, blocks = _equations([prepare(log, given) for log in logs], choice.lines, choice.orders)
        c = waveform.coefficients(blocks, jackknife=False).best
        full = waveform.complete(c, records[0].rotation)
        values = _outputs(full, choice, len(choice.lines))
        wave = {name: float(v) for name, v in zip(_names(choice), values, strict=True)}
        freedom = float(len(choice.without) - 1)
        fit.block(WAVE_SCATTER, wave, lambda: _covariance(choice, wave), freedom)
        # Half of what extrapolation and noise correction took off stands for what they may have missed.
        cut = waveform.cut_off(full * choice.kept[:, None], choice.corner_order)
        left = 0.25 * (cut**2 + (choice.crest_bias * wave["linkage_peak"]) ** 2)
        fit.block("corrections of the crest", {"crest": 0.0}, left)
        few = [f"emf_harmonic_{order}" for order in SHAPE if order > choice.orders]
        fit.lacking(few, "too few readings per electrical turn to see it; sample at least 20 times per turn")
        ratio = _ratio(records)
        if ratio:
            variance, freedom = ratio.scatter**2, ratio.degrees_of_freedom
            fit.block("scatter of the speed readings", {"ratio": ratio.value}, variance, freedom)
        stood = _magnets_of(logs, records, given)
        fit.exact("temperature of the magnets", magnets=float(stood.temperature[0]))
        stood.doubt(fit)
        for name in ("pole_pairs", "factor_count"):
            if count := getattr(choice, name):
                fit.exact(f"{name.replace('_', ' ')}, a count", **{name: float(count)})
        if len(choice.lines) == 1:
            fit.lacking(_OF_TWO_LINES, _ONE_LINE)
        elif len({record.sequence for record in records}) > 1:
            fit.missing["phase_sequence"] = (
                "the records show both phase sequences; give the speed its sign (negative for backward rotation), "
                "or check the probes"
            )
        else:
            fit.exact("phase sequence, a count", phase_sequence=float(choice.sequence))
        _lacks_speed(choice, ratio, given, fit)
        fit.seen = Seen(records, blocks, c, full, ratio)
        for record, block in zip(records, blocks, strict=True):
            for row, line in enumerate(choice.lines):
                fit.leave(partial(wave_left, record, line, record.lines[row] - block.offset[row], c[:, row]))
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: Choice, fit: Fit) -> Report:
        """Show the wave, its harmonics and the records, and say what the constants rest on."""
        report, seen = Report(), fit.seen
        records, full, ratio, kept = seen.records, seen.full, seen.ratio, choice.kept
        for record in records:
            for text in record.findings:
                report.warn(f"{record.label}: {text}")
        if choice.disagreement:
            report.warn(choice.disagreement)
        report.notes += line_notes(choice.lines, len(kept))
        pole_pair_words(choice.pole_pairs, choice.words, ratio is not None, given, report)
        if given.get("nameplate_freewheel"):
            report.notes.append(
                "The unit has a freewheel: the EMF appears only when it is driven in the locked direction."
            )
        report.notes.append(_magnets_of(logs, records, given).words)
        low, high = (f(r.electrical_speed for r in records) / (2 * np.pi) for f in (min, max))
        report.notes.append(
            f"{len(records)} record(s), {low:.2f} Hz to {high:.2f} Hz electrical; harmonics up to order {len(kept)}; "
            f"blocks of whole electrical turns left out in turn give the scatter ({len(choice.without)} blocks)."
        )
        report.notes += [
            f"{record.label} holds {record.readings:.0f} readings. They were averaged by electrical angle while they "
            f"were read, in {int(record.block[-1]) + 1} blocks of turns, which keeps all that the fit uses."
            for record in records
            if record.block is not None
        ]
        both = waveform.Coefficients(full, choice.without)
        noise = np.sqrt(both.variance().mean(axis=1) / np.mean(np.abs(full[0]) ** 2) / 2)
        report.details["harmonics"] = [
            {"order": h + 1, "percent": 100 * float(s), "standard_uncertainty_percent": 100 * float(noise[h])}
            for h, s in enumerate(views.pooled(full))
        ]
        peaks = _peaks(seen.blocks, choice)[:, 0]
        factor = choice.factor_count or (ratio.value if ratio else None)
        report.panels = [
            views.wave_panel(records, choice.lines, [b.offset for b in seen.blocks], seen.fitted),
            views.harmonics_panel(full, kept),
            views.speed_panel(records, peaks, fit.parameters["linkage_peak"], factor),
        ]
        report.tables = [views.records_table(records, peaks), views.harmonics_table(full, kept, noise)]
        return report

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the constants per mechanical speed and the shape, from linkages per electrical speed."""
        result = {"emf_distortion": parameters["distortion"]}
        result |= {f"emf_{name}": value for name, value in parameters.items() if name.startswith("harmonic_")}
        if "unbalance" in parameters:
            result["emf_unbalance"] = parameters["unbalance"]
        for name in ("pole_pairs", "phase_sequence"):
            if name in parameters:
                result[name] = parameters[name]
        if "ratio" in parameters:
            result["pole_pair_ratio"] = parameters["ratio"]
        factor = parameters.get("factor_count", parameters.get("ratio"))
        if factor is not None:
            # A warm magnet gives less: the constants are those at its reference.
            warm = parameters["magnets"] + parameters["magnets/doubt"]
            factor = factor / magnets.emf_share(warm, given["magnet_coefficient"])
            for kind in ("peak", "rms", "dc"):
                result[f"emf_constant_{kind}"] = parameters[f"linkage_{kind}"] * factor
            result["emf_constant_peak"] += parameters.get("crest", 0.0) * factor
            result["speed_constant"] = 1.0 / result["emf_constant_dc"]
            result["torque_constant"] = result["emf_constant_dc"]
        return result


def _equations(
    records: Sequence[Record], lines: tuple[str, ...], orders: int
) -> tuple[list[Record], list[waveform.Blocks]]:
    """Return the records with these lines alone, and their normal equations."""
    only = []
    for record in records:
        rows = [record.names.index(name) for name in lines]
        spread = None if record.spread is None else record.spread[rows]
        only.append(replace(record, names=lines, lines=record.lines[rows], spread=spread))
    return only, [waveform.equations(record.folded(), orders) for record in only]


def _peaks(blocks: Sequence[waveform.Blocks], choice: Choice) -> np.ndarray:
    """Return peak and RMS linkage of each record by itself ``(r, 2)``."""
    each = (waveform.coefficients([b], jackknife=False).best for b in blocks)
    return np.array([_outputs(waveform.complete(c, choice.sequence), choice, 3)[:2] for c in each])


def _magnets_of(logs: Sequence[Log], records: Sequence[Record], given: Mapping[str, float]) -> _magnets.Magnets:
    # The pooled fit weighs an EMF over speed by the square of the speed.
    return _magnets.together(logs, given, [record.readings * record.electrical_speed**2 for record in records])


def _shape(choice: Choice) -> list[int]:
    """Return those orders that tell the wave's shape and were fitted."""
    return [order for order in SHAPE if order <= choice.orders]


def _names(choice: Choice) -> list[str]:
    names = ["linkage_peak", "linkage_rms", "linkage_dc", "distortion", *(f"harmonic_{h}" for h in _shape(choice))]
    return names if len(choice.lines) == 1 else [*names, "unbalance"]


def _outputs(full: np.ndarray, choice: Choice, lines: int) -> np.ndarray:
    """Return peak, RMS, DC linkage, distortion, harmonics and (with two lines or more) unbalance."""
    wave = full * choice.kept[:, None]
    squared = max(float(waveform.distortion_squared(full)) - choice.noise, 0.0)
    shape = [float(waveform.in_phase(full, order)) for order in _shape(choice)]
    values = [*waveform.peak_rms_dc(wave, choice.corner_order), np.sqrt(squared), *shape]
    values[0] /= 1.0 + choice.crest_bias
    return np.array(values if lines == 1 else [*values, float(waveform.unbalance(wave))])


def _covariance(choice: Choice, wave: Mapping[str, float]) -> np.ndarray:
    """Return the jackknife covariance of the outputs, in the order of ``wave``."""
    chosen = choice.without * choice.kept[:, None]
    squared = waveform.distortion_squared(choice.without)
    columns = [waveform.peak_rms_dc(chosen, choice.corner_order), squared[:, None]]
    columns += [waveform.in_phase(choice.without, order)[:, None] for order in _shape(choice)]
    if len(choice.lines) > 1:
        columns.append(waveform.unbalance(chosen)[:, None])
    covariance = jackknife_covariance(np.hstack(columns))
    # From the square of the distortion to itself. Near zero the square root has no slope: there the
    # uncertainty is the value that would just stand out of the noise.
    u_squared = float(np.sqrt(covariance[3, 3]))
    value = wave["distortion"]
    slope = 0.5 / value if value**2 > 2 * u_squared else 1.0 / np.sqrt(2 * u_squared) if u_squared > 0 else 0.0
    covariance[3, :] *= slope
    covariance[:, 3] *= slope
    return covariance * choice.widening


def _lacks_speed(choice: Choice, ratio: Ratio | None, given: Mapping[str, float], fit: Fit) -> None:
    """Say what is missing where no speed, or no whole number of pole pairs, was found."""
    if ratio is None:
        fit.lacking(_OF_SPEED, _NO_SPEED)
        if "nameplate_pole_pairs" not in given:
            fit.lacking(CONSTANTS, _NO_PAIRS)
    elif not choice.pole_pairs:
        fit.missing["pole_pairs"] = choice.words


def _count(records: Sequence[Record], ratio: Ratio, gear: float) -> Count:
    """Judge each record by its own speed reading: the most exact one decides, a slower one beside it loses nothing.

    Where a record tells another whole number, or none, none is given; without a stated accuracy all count together.
    """
    turned = [(record, one) for record in records if record.speed is not None and (one := _ratio([record]))]
    doubts = [float(np.hypot(one.scatter / one.value, record.stated or 0.0)) for record, one in turned]
    if len(turned) < 2 or any(record.stated is None for record, _ in turned):
        stated = None if any(record.stated is None for record, _ in turned) else turned[0][0].stated
        return count_pole_pairs(ratio, stated, gear, _called(turned[int(np.argmax(doubts))][0]))
    best, exact = turned[int(np.argmin(doubts))]
    found = count_pole_pairs(exact, best.stated, gear)
    if found.pole_pairs is None:
        # One record that is exact enough decides for all, and the best of them is nearest to it.
        return count_pole_pairs(ratio, max(record.stated or 0.0 for record, _ in turned), gear, _called(best))
    for (record, one), doubt in zip(turned, doubts, strict=True):
        if abs(one.value / gear - found.pole_pairs) > 3 * doubt * one.value / gear:
            return Count(None, f"{found.words}; but {record.label} tells {one.value / gear:.3f}: check its speed")
    return found


def _called(record: Record) -> str:
    """Return a record by its label and its speed, since several may have one label."""
    return f"{record.label} ({in_rpm(abs(record.speed or 0.0)):.3g} rpm)"


def _ratio(records: Sequence[Record]) -> Ratio | None:
    groups = [stretch for record in records for stretch in record.stretches]
    return speed_ratio(groups) if groups else None


PROCEDURE = OpenCircuit()
