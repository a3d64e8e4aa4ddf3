"""EMF by a meter: what the two kinds of meter show of waves whose form factor is published."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rotorproof.columns import COLUMNS
from rotorproof.errors import FitError
from rotorproof.fitting.engine import Outcome, run
from rotorproof.fitting.instrument_error import InstrumentError
from rotorproof.logs.table import read_table
from rotorproof.physics import ac_meter
from rotorproof.procedures import procedures
from rotorproof.procedures.base import Log
from rotorproof.settings.layout import Layout, LayoutColumn
from rotorproof.uncertainty.accuracy import parse_accuracy
from rotorproof.uncertainty.coverage import interval
from rotorproof.uncertainty.forms import Influence
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.simulation.ac_meter import Wave
from tests.simulation.independent import definitions
from tests.simulation.kitchen.bench import AIR, Table, emf_by_mean_meter
from tests.simulation.kitchen.units import DIRECT, GEARED

PROCEDURE = procedures()["emf-by-meter"]
SPEEDS = np.array([10.0, 15.0, 20.0, 25.0, 30.0])
#: Fourier series of a trapezoid with a flat third, as any table of series has it: orders 5 and 7 about the crest.
TRAPEZOID = {"emf_harmonic_5": -1 / 25, "emf_harmonic_7": -1 / 49}
SOURCE = "form factor 1.1107 and crest factor 1.4142 of a sine: IEC 60050-103 and any handbook of measurement"


def _run(shown: tuple[float, ...], kind: str, **given: float) -> Outcome:
    columns = {f"ac_voltage_{pair}": k * SPEEDS for pair, k in zip(("ab", "bc", "ca"), shown, strict=False)}
    conditions = {"meter": float(kind == "mean-responding"), "magnet_temperature": 20.0}
    return outcome(PROCEDURE, [({"speed": SPEEDS, **columns}, conditions)], **given)


@pytest.mark.parametrize("kind", ["true-rms", "mean-responding"])
def test_a_sine(outside: Outside, kind: str) -> None:
    """Both meters show 1 V RMS per rad/s; DC is 3/pi of the peak, the mean of the six-pulse rectified sine."""
    found = _run((1.0, 1.0, 1.0), kind, emf_harmonic_5=0.0, emf_harmonic_7=0.0)
    values = {name: form.value for name, form in found.forms.items()}
    outside.each(
        values,
        (
            ("emf_constant_rms", 1.0, 1e-9, "V s/rad"),
            ("emf_constant_peak", math.sqrt(2), 1e-9, "V s/rad"),
            ("emf_constant_dc", 1.3505, 5e-5, "V s/rad"),
            ("torque_constant", 1.3505, 5e-5, "N m/A"),
            ("emf_unbalance", 0.0, 1e-9, "1"),
        ),
        what=f"a sine read by a {kind} meter",
        source=SOURCE + "; mean of a six-pulse rectifier 1.3505 V per volt RMS",
    )


@pytest.mark.parametrize(("kind", "shown"), [("true-rms", math.sqrt(5) / 3), ("mean-responding", 1.1107 * 2 / 3)])
def test_a_trapezoid(outside: Outside, kind: str, shown: float) -> None:
    """A line that stands at its peak of 1 V for a third of each half wave: RMS sqrt(5)/3, rectified mean 2/3, DC 1."""
    assumed = _run((shown,) * 3, kind)
    for name in ("emf_constant_dc", "emf_constant_rms", "emf_constant_peak"):
        truth = {"emf_constant_rms": math.sqrt(5) / 3}.get(name, 1.0)
        cover = assumed.result(name).interval(0.95)
        # What the meter responds to has no doubt of its own here; the form factor is published to 1e-4.
        assert cover.low - 1e-4 < truth < cover.high + 1e-4, name
    known = _run((shown,) * 3, kind, **TRAPEZOID)
    outside(
        "emf_constant_dc",
        f"trapezoid with a flat third, its shape known, read by a {kind} meter",
        ours=known.forms["emf_constant_dc"].value,
        published=1.0,
        allowance=1.5e-3,  # harmonics above the seventh
        unit="V s/rad",
        source="RMS and mean of a trapezoid by areas; its Fourier series",
    )


def test_the_shape_weighs_on_what_the_meter_does_not_show() -> None:
    """What a meter responds to is known whatever the shape; what it does not respond to has a doubt of about 1 %."""
    by_rms, by_mean = (_run((1.0,) * 3, kind) for kind in ("true-rms", "mean-responding"))

    def relative(found: Outcome, name: str) -> float:
        return interval(found.forms[name]).expanded_uncertainty / found.forms[name].value

    for found, responded, other in (
        (by_rms, "emf_constant_rms", "emf_constant_dc"),
        (by_mean, "emf_constant_dc", "emf_constant_rms"),
    ):
        assert relative(found, responded) < 1e-6
        assert 5e-3 < relative(found, other) < 2e-2
    assert any("fifth harmonic" in note for note in by_rms.report.notes)


def test_the_largest_of_three_lines_is_half_their_sum(outside: Outside) -> None:
    wave = Wave(flat=80.0, round_=15.0, unlike=(1.0, 0.9, 1.05))
    shown = wave.shown(mean_responding=True)
    found = _run(tuple(shown), "mean-responding")
    outside(
        "emf_constant_dc",
        "unlike phases drawn point by point, read by a mean-responding meter",
        ours=found.forms["emf_constant_dc"].value,
        published=wave.truth()["emf_constant_dc"],
        allowance=1e-4,
        unit="V s/rad",
        source="mean of the largest of six lines over the drawn points",
    )


def test_warm_magnets() -> None:
    columns = {"speed": SPEEDS, "ac_voltage_ab": 0.95 * SPEEDS}
    found = outcome(
        PROCEDURE, [(columns, {"meter": 0.0, "magnet_temperature": 70.0})], {"ac_voltage_ab": "1 % + 0.05 V"}
    )
    # 50 K at 0.1 % per kelvin: 5 % less than at 20 degC, within 0.03 % per kelvin.
    cover = interval(found.forms["emf_constant_rms"])
    assert cover.low < 1.0 < cover.high
    assert "emf_unbalance" in found.fit.missing
    assert "A-B alone" in " ".join(found.report.notes)


def test_speeds_that_are_all_alike_are_refused() -> None:
    with pytest.raises(FitError, match="all speeds are alike"):
        outcome(PROCEDURE, [({"speed": SPEEDS * 0 + 20.0, "ac_voltage_ab": SPEEDS * 0 + 15.0}, {"meter": 0.0})])


def test_form_factors(outside: Outside) -> None:
    outside(
        "emf_constant_rms",
        "form factor of a sine",
        ours=ac_meter.SINE_FORM_FACTOR,
        published=1.1107,
        allowance=5e-5,
        source=SOURCE,
    )
    h5, h7 = TRAPEZOID.values()
    outside(
        "emf_constant_rms",
        "form factor of a trapezoid with a flat third, of three harmonics",
        ours=float(ac_meter.rms(h5, h7) / ac_meter.rectified_mean(h5, h7)),
        published=math.sqrt(5) / 2,
        allowance=1.5e-3,
        source="RMS sqrt(5)/3 over mean 2/3, by areas",
    )


@pytest.mark.parametrize("motor", [DIRECT, GEARED])
@pytest.mark.parametrize("seed", [1, 2])
def test_an_older_meter_on_the_kitchen_table(motor, seed, tmp_path) -> None:
    """The file of a mean-responding meter, read and judged by the machine's own wave, whose shape the test lacks.

    Seeds 100 to 149, two motors each by the same meter: of the DC constant 2 of 100 intervals missed, both of one
    session; of RMS and peak constants none, of the unbalance 1.
    """
    emf_by_mean_meter(tmp_path / "emf.csv", motor, Table(np.random.default_rng(seed)))
    lines = {"ac_voltage_ab": "U1-2 (V AC)", "ac_voltage_bc": "U2-3 (V AC)", "ac_voltage_ca": "U3-1 (V AC)"}
    columns = {name: LayoutColumn(column=head, unit="V") for name, head in lines.items()}
    columns["speed"] = LayoutColumn(column="n (1/min)", unit="1/min")
    layout = Layout(delimiter=";", decimal=",", columns=columns)
    read = read_table(
        tmp_path / "emf.csv", layout, PROCEDURE.columns(), shown="emf", time_ordered=False, minimum_rows=3
    ).columns
    # One meter read all three lines: 1.2 % and 5 digits of 10 mV.
    instruments = [
        InstrumentError(
            Influence(name, name, "rectangular"),
            parse_accuracy(accuracy, COLUMNS[of[0]].kind),
            [(0, column) for column in of],
        )
        for name, accuracy, of in (
            ("meter", "1.2 % + 0.05 V", list(lines)),
            ("tachometer", "0.05 % + 0.01 rad/s", ["speed"]),
        )
    ]
    log = Log("emf", read, {"meter": 1.0, "magnet_temperature": AIR})
    found = run(PROCEDURE, [log], label="emf", unit="U", given={}, instruments=instruments, uncertain_conditions={})
    true = definitions.emf(motor, AIR)
    for name in ("emf_constant_dc", "torque_constant", "emf_constant_rms", "emf_constant_peak"):
        cover = interval(found.forms[name])
        assert cover.low < true[name] < cover.high, name
