"""Units, symbols and sentences. Unit and symbol print: ISO 80000-1:2009, 7.1 to 7.3 (from memory)."""

from __future__ import annotations

import ast
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rotorproof.columns import titles
from rotorproof.decision.models import CriterionEntry, ProblemEntry
from rotorproof.quantities import quantities
from rotorproof.rendering import words
from rotorproof.rendering.quantity_view import written
from rotorproof.rendering.symbols import axis_label, prose, symbol_html, with_unit
from rotorproof.rendering.wording import basis_mark
from rotorproof.signs import spell_on, unit_text, value_text
from tests.entries import criterion, quantity_entry, results

PACKAGE = Path(__file__).parents[2] / "scripts" / "rotorproof"


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


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (0.12128, "ohm", "0.121 Ω"),
        (-5.0, "degC", "−5 °C"),
        (2.1e-6, "N m s^2/rad^2", "2.1 × 10⁻⁶ N·m·s²/rad²"),
        (-1.5e-9, "1", "−1.5 × 10⁻⁹"),
        (45.0, "percent", "45 %"),
        (191.2, "J/K", "191 J/K"),
        (-52345.0, "1/s", "−52300 1/s"),
        (23.0, "1", "23"),
        (7.53, "deg", "7.53°"),
    ],
)
def test_values_in_sentences(value: float, unit: str, said: str) -> None:
    # ISO 80000-1:2009, 7.1.4 (space before the unit, also before %, not before °), 7.3.1 (minus, multiplication).
    assert value_text(value, unit) == said


@pytest.mark.parametrize(
    "sentence",
    [
        "reads values from memory at 10 Hz",
        "limits after IEC 60034-1 and -4",
        "Ohm's law, 500 V DC",
        "below -40 degC +/- 2 K as its author wrote it, 3 x 10",
        "as common practice, no source, says",
        "load-24V.csv, hub-36V, CT-1e-5, 0x1F and 'write 20 degC' stay",
        "20 °C ± 1 °C, 2.1 × 10⁻⁶ N·m·s²/rad², 89 % of 45 K/W (a delay of 0.1 s)",
    ],
)
def test_a_page_changes_no_sign_of_a_sentence(sentence: str) -> None:
    # A space may become one at which no line breaks; nothing else may.
    assert prose(sentence).replace("\u00a0", " ") == sentence


def test_no_line_breaks_between_a_number_and_its_unit() -> None:
    assert prose("20 °C ± 1 °C, 5 V/s, 0.1 s of 24 m of it, 3 Amp").replace("\u00a0", "~") == (
        "20~°C~± 1~°C, 5~V/s, 0.1~s of 24~m of it, 3 Amp"
    )


def test_what_a_source_is_stands_in_a_field() -> None:
    assert {basis: basis_mark(basis) for basis in ("published", "memory", "practice")} == {
        "published": "",
        "memory": "†",
        "practice": "‡",
    }
    assert basis_mark(quantities()["throttle_linearity"].basis) == "†"
    assert not [q.name for q in quantities().values() if "memory" in q.source or "practice" in q.source]


@pytest.mark.parametrize(
    ("encoding", "shown"),
    [
        ("utf-8", "−5 °C ± 0.1 Ω, 2 × 10⁻⁶ N·m, 漢"),
        ("latin-1", "-5 °C ± 0.1 ohm, 2 × 10^-6 N·m, ?"),
        ("ascii", "-5 degC +/- 0.1 ohm, 2 x 10^-6 N m, ?"),
    ],
)
def test_a_screen_that_lacks_a_sign_spells_it(encoding: str, shown: str) -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding)
    spell_on(stream)
    print("−5 °C ± 0.1 Ω, 2 × 10⁻⁶ N·m, 漢", file=stream, end="", flush=True)
    assert raw.getvalue().decode(encoding) == shown


def _sentences(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and text of every string of a module but its docstrings; a number stands for what is filled in."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    parts = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    parts |= {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, "".join(str(p.value) if isinstance(p, ast.Constant) else "7" for p in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in parts:
            yield node.lineno, node.value


def test_sentences_carry_their_own_signs() -> None:
    typed = re.compile(r"'[^']*'|\[[^\]]*\]|`[^`]*`")  # what a user types or finds stays in plain letters
    spelled = re.compile(r"[a-z)] .*(\d (degC|[kM]?[oO]hm|N m|kg m)\b|\+/-)|\b(degC|[kM]ohm)\b.* [a-z]{3}")
    rooms = ("checking", "decision", "derivations", "physics", "planning", "procedures")
    wrong = [
        f"{path.name}, line {line}: {text}"
        for room in rooms
        for path in sorted((PACKAGE / room).rglob("*.py"))
        for line, text in _sentences(path)
        if spelled.search(typed.sub("", text))
    ]
    assert not wrong, "write the signs °C, Ω, ±, N·m, kg·m² themselves:\n" + "\n".join(wrong)


def test_columns_are_told_by_family() -> None:
    assert titles(["time", "voltage_ab", "voltage_bc", "temperature_winding"]) == (
        "time, voltage A-B, B-C, winding temperature"
    )


def test_a_line_breaks_only_where_a_reader_would_pause() -> None:
    assert with_unit("1.2 ± 0.1", "ohm") == '<span class="n">1.2</span> <span class="n">± 0.1\u00a0Ω</span>'
    assert with_unit("<1", "1") == '<span class="n">&lt;1</span>'


@pytest.mark.parametrize(("wires", "said"), [(4.0, True), (0.0, False), (None, False)])
def test_a_prediction_of_a_ride_says_that_wires_must_move_first(wires: float | None, said: bool) -> None:
    ride = {"pack_road_speed": quantity_entry(procedure="drive-prediction", unit="km/h")}
    if wires is not None:
        ride["wires_to_move"] = quantity_entry(procedure="drive-match", unit="1", value=wires)
    told = words.wires_note(
        results(quantities=ride, criteria=[criterion(quantity="pack_road_speed", unit="km/h", max=30.0)])
    )
    assert ("Road speed on the pack: holds only after the wires are moved" in told) is said
    assert bool(told) is said


def test_an_accepted_unit_is_not_promised_to_be_safe() -> None:
    line = "No test found a danger; that is no proof that there is none."
    assert line in words.verdict_meaning(results())
    danger = [{"message": "m", "severity": "warning", "danger": True}]
    assert line not in words.verdict_meaning(results(problems=danger))
    assert line not in words.verdict_meaning(results(verdict="incomplete"))


@pytest.mark.parametrize(("kind", "use"), [("motor", "fit this motor"), ("drive", "ride with this drive")])
def test_a_rejection_says_what_it_means_for_use_where_no_danger_does(kind: str, use: str) -> None:
    told = words.verdict_meaning(results(verdict="rejected", kind=kind))
    assert f"Do not {use} until it meets its limits. No test found a danger" in told
    danger = [{"message": "do not ride", "severity": "warning", "danger": True}]
    # The danger stands above, in words of its own; nothing may soften it.
    assert "Do not" not in words.verdict_meaning(results(verdict="rejected", kind=kind, problems=danger))


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


def test_no_symbol_stands_for_two_quantities_of_one_report() -> None:
    found: dict[str, list[str]] = {}
    for name, quantity in quantities().items():
        found.setdefault(quantity.symbol, []).append(name)
    assert {symbol: names for symbol, names in found.items() if len(names) > 1} == {}
