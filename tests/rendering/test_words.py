"""Units, symbols and sentences. Unit and symbol print: ISO 80000-1:2009, 7.1 to 7.3 (from memory)."""

from __future__ import annotations

from typing import Any

import pytest

from rotorproof.columns import titles
from rotorproof.decision.models import CriterionEntry, ProblemEntry
from rotorproof.rendering import words
from rotorproof.rendering.quantity_view import written
from rotorproof.rendering.symbols import axis_label, prose, symbol_html, unit_text, with_unit
from rotorproof.rendering.wording import plainly
from tests.entries import criterion, quantity_entry


@pytest.mark.parametrize(
    ("unit", "text"),
    [
        ("ohm", "Ω"),
        ("Mohm", "MΩ"),
        ("percent", "%"),
        ("degC", "°C"),
        ("N m s/rad", "N·m·s/rad"),
        ("kg m^2", "kg·m²"),
        ("N m s^2/rad^2", "N·m·s²/rad²"),
        ("1/s", "1/s"),
        ("1", ""),
        ("rpm/V", "rpm/V"),
    ],
)
def test_units_in_print(unit: str, text: str) -> None:
    assert unit_text(unit) == text


def test_symbols_are_italic_with_upright_subscripts_and_escaped() -> None:
    assert symbol_html("R_ph") == "<i>R</i><sub>ph</sub>"
    assert symbol_html("tau_th") == "<i>τ</i><sub>th</sub>"
    assert symbol_html("K_e_rms") == "<i>K</i><sub>e,rms</sub>"
    assert symbol_html("<b>_x") == "<i>&lt;b&gt;</i><sub>x</sub>"


def test_axis_labels_are_quotients() -> None:
    assert axis_label("Voltage", "V") == "Voltage / V"
    assert axis_label("Friction", "N m s/rad") == "Friction / (N·m·s/rad)"
    assert axis_label("Order", "1") == "Order"


def test_values_as_written_and_prose() -> None:
    assert written("0.050 +/- 0.001 kg m^2") == "0.050 ± 0.001\u00a0kg·m²"
    assert written("24.0 degC") == "24.0\u00a0°C"
    assert written("six-step") == "six-step"
    assert written("23") == "23"
    assert prose("below 2.1e-06 N m s^2/rad^2 at 20 degC") == "below 2.1 × 10⁻⁶\u00a0N·m·s²/rad² at 20\u00a0°C"
    assert prose("file degC_1.csv, 20 degC.") == "file degC_1.csv, 20\u00a0°C."


@pytest.mark.parametrize(
    ("written_", "printed"),
    [
        ("20 degC +/- 1 degC", "20~°C~± 1~°C"),
        ("from 0.0047 to 0.0026 V s/rad.", "from 0.0047 to 0.0026~V·s/rad."),
        ("at 0.5 V/s (a delay of 0.1 s)", "at 0.5~V/s (a delay of 0.1~s)"),
        ("makes 89% of 45 percent", "makes 89~% of 45~%"),
        ("at least 5 MOhm, 4 uohm, R in ohm", "at least 5~MΩ, 4~µΩ, R in Ω"),
        ("-5 degC on 2026-05-02 after IEC 60034-1", "−5~°C on 2026-05-02 after IEC 60034-1"),
        ("3 x 10, 5x10, x10 probe", "3 × 10, 5×10, ×10 probe"),
        ("Phase of first line / deg", "Phase of first line / °"),
        ("L_d <= L_q, 120 deg apart", "L_d ≤ L_q, 120° apart"),
        ("write 'x [ohm]' or '20 degC', column [degC]", "write 'x [ohm]' or '20 degC', column [degC]"),
        ("the controller's 5 A and the motor's 3 V", "the controller's 5~A and the motor's 3~V"),
        ("30 K/W, 3 N m/(rad/s), 24 m of it", "30~K/W, 3~N·m/(rad/s), 24~m of it"),
    ],
)
def test_prose_has_one_form_of_every_sign(written_: str, printed: str) -> None:
    # ISO 80000-1:2009, 7.1.4 (space before the unit, also before %), 7.3.1 (minus, multiplication cross).
    assert prose(written_).replace("\u00a0", "~") == printed
    assert prose(prose(written_)) == prose(written_)


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("overvoltage_cutoff: not seen", "Overvoltage cut-off: not seen"),
        ("this counts among fault_cases_without_stop", "this counts among fault cases without stop"),
        ("add the condition 'commanded_duty'", "add the condition 'commanded_duty'"),
        ("add a column supply_voltage [V]", "add a column supply_voltage [V]"),
        ("halving per 10 K (IEEE 43, from memory).", "halving per 10\u00a0K (IEEE 43)†."),
        ("made so (common practice, no source)", "made so‡"),
        ("IEC 61298-2 (from memory); duty", "IEC 61298-2†; duty"),
    ],
)
def test_names_become_titles_and_sources_become_marks(said: str, shown: str) -> None:
    assert plainly(said) == shown


@pytest.mark.parametrize(
    "name",
    [
        "AL-M1/open-circuit-110rpm.csv",
        "load-24V.csv",
        "heat-20degC.parquet",
        "run-5x10.csv.gz",
        "1e-3.csv",
        "-5.csv",
        "emf_constant_dc.csv",
        "hub-36V",
        "psu_30V",
        "24V-run",
        "CT-1e-5",
        "run1x2",
        "0x1F",
    ],
)
def test_names_of_files_units_and_instruments_stay_as_they_are(name: str) -> None:
    for sentence in (f"{name}: left out", f"see {name}.", f"({name}, {name})"):
        assert plainly(sentence) == sentence


def test_columns_are_told_by_family() -> None:
    assert titles(["time", "voltage_ab", "voltage_bc", "temperature_winding"]) == (
        "time, voltage A-B, B-C, winding temperature"
    )


def test_a_line_breaks_only_where_a_reader_would_pause() -> None:
    assert with_unit("1.2 ± 0.1", "ohm") == '<span class="n">1.2</span> <span class="n">± 0.1\u00a0Ω</span>'
    assert with_unit("<1", "1") == '<span class="n">&lt;1</span>'


def _criterion(**keys: Any) -> CriterionEntry:
    return CriterionEntry(**criterion(**keys))


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ({"max": 0.13}, "at most 0.13\u00a0Ω"),
        ({"min": 0.1}, "at least 0.1\u00a0Ω"),
        ({"min": 0.1, "max": 0.13}, "0.1 to 0.13\u00a0Ω"),
        ({"min": 0.1, "max": 0.1}, "exactly 0.1\u00a0Ω"),
    ],
)
def test_limits_in_words(limits: dict[str, float], text: str) -> None:
    assert words.limits_text(_criterion(**limits)) == text


def test_a_criterion_without_limits_is_refused() -> None:
    with pytest.raises(ValueError, match="no limit"):
        words.limits_text(_criterion())


def test_every_decision_says_why() -> None:
    entry = quantity_entry(value=0.14, expanded_uncertainty=0.002, interval=(0.138, 0.142))
    high = words.criterion_sentence(_criterion(max=0.13, decision="fail"), entry, "Phase resistance")
    assert high == "Phase resistance = 0.1400 ± 0.0020\u00a0Ω lies above the upper limit of 0.13\u00a0Ω by 0.01\u00a0Ω."
    low = words.criterion_sentence(_criterion(min=0.15, max=0.2, decision="fail"), entry, "R")
    assert "below the lower limit of 0.15" in low
    open_ = words.criterion_sentence(_criterion(max=0.141, decision="undecided"), entry, "R")
    assert "from 0.1380 to 0.1420\u00a0Ω holds the limit" in open_
    assert "not measured" in words.criterion_sentence(_criterion(max=0.1, decision="not measured"), None, "R")


def test_normalised_error_is_explained() -> None:
    assert words.agreement(0.4).startswith("agrees (normalised error 0.4")
    assert words.agreement(1.0).startswith("agrees")
    assert words.agreement(1.01).startswith("disagrees")
    assert "cannot be judged" in words.agreement(None)


def _place(**keys: Any) -> str:
    return words.place(ProblemEntry(message="m", severity="error", **keys))


def test_places_and_counts() -> None:
    assert _place(file="a.csv", line=3, column="speed") == "a.csv, line 3, column speed"
    assert _place() == ""
    assert [words.counted(n, "error") for n in (0, 1, 2)] == ["0 errors", "1 error", "2 errors"]


def test_a_settings_file_has_keys_and_a_log_has_columns() -> None:
    assert _place(file="U/unit.yaml", line=2, column="kind") == "U/unit.yaml, line 2, key kind"
    assert _place(file="U/a.csv", column="votlage_ab") == "U/a.csv, column votlage_ab"
