"""The page of a choice from the stock: motors, controllers and pairs for one vehicle, ranked, on one page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..evidence.software import code_hash
from ..jsonio import to_json, write_bytes
from ..signs import unit_text
from . import numbers
from .environment import environment
from .identity import report_id
from .style import TEMPLATES

#: Rows of a table that find room on the page, and units that cannot be predicted; the data hold all.
_MOST = {"pairs": 10, "motors": 7, "controllers": 5}
_MOST_LEFT_OUT = 6
_TITLES = {
    "pairs": "Pairs",
    "motors": "Motors alone, within the limits stated for the pack",
    "controllers": "Controllers alone, by the pack's voltage",
}
#: A part of the duty that is met with less is named as a reason.
_SURE = 0.95
_MEETS = "probability_of_meeting_the_duty"
#: What each part of the duty asks, in words.
ASKED = {
    "cruise": "torque to spare at the cruise",
    "climb": "torque to spare on the longest grade",
    "start": "torque to spare at a start on the steepest grade",
    "heat": "continuous current above what the longest grade takes",
    "current": "limit of the motor's current above what the longest grade takes",
    "starts": "pack voltage above the controller's start voltage",
    "full": "controller's overvoltage cut-off above the full pack",
    "empty": "empty pack above the controller's start voltage",
}
_SHORT = {
    "cruise": "cruise",
    "climb": "longest grade",
    "start": "start on a grade",
    "heat": "heat",
    "current": "current",
    "starts": "start voltage",
    "full": "full pack",
    "empty": "empty pack",
}


@dataclass(frozen=True)
class RowView:
    """One candidate, ready to print."""

    rank: str
    name: str
    meets: str
    energy: str
    heat: str
    current: str
    wiring: str
    why: str


@dataclass(frozen=True)
class TableView:
    """One table: candidates of one kind, and how many are left out for room."""

    title: str
    rows: Sequence[RowView]
    left_out: int
    energies: bool


def write_choice(folder: Path, choice: Mapping[str, Any], left_out: Mapping[str, str]) -> None:
    """Write ``choice.json``, ``choice.html`` and the one page ``choice.pdf`` of what ``season.choice`` gives.

    ``left_out`` says of candidates why they could not be predicted.
    """
    from . import pdf

    data = to_json({**choice, "left_out": left_out}).encode()
    identifier = report_id([data, code_hash().encode()])
    css = (TEMPLATES / "choice.css").read_text(encoding="utf-8")
    html: str = (
        environment()
        .get_template("choice.html.j2")
        .render(
            about=choice,
            tables=[_table(title, choice[title]) for title in _MOST],
            left_out=list(left_out.items())[:_MOST_LEFT_OUT],
            more_left_out=max(0, len(left_out) - _MOST_LEFT_OUT),
            asked=[words for key, words in ASKED.items() if key != "empty"],
            verdict=verdict(choice["pairs"], choice["accepted"]),
            report_id=identifier,
            css=css,
        )
    )
    write_bytes(folder / "choice.json", data)
    write_bytes(folder / "choice.html", html.encode())
    write_bytes(folder / "choice.pdf", pdf.write(html, css, images={}, identifier=identifier))


def verdict(pairs: Sequence[Mapping[str, Any]], accepted: Mapping[str, int]) -> str:
    """Return the choice in one sentence; ``accepted`` counts the units of each kind that were accepted."""
    if not pairs:
        none = " and ".join(f"no {kind}" for kind, count in accepted.items() if not count)
        return f"No pair can be predicted: {f'{none} is accepted' if none else 'see below what is missing'}."
    first = [one for one in pairs if one["rank"] == pairs[0]["rank"]]
    name, chance = _name(first[0]), numbers.probability(first[0][_MEETS])
    others = ", ".join(_name(one) for one in first[1:4]) + (" and more" if len(first) > 4 else "")
    if lacking := _lacking(first[0]):
        tie = f", which cannot be told from {others}" if others else ""
        short = f" ({_missed(first[0])})" if first[0][_MEETS] < 0.5 else ""
        return (
            f"No pair was measured over the whole duty. First is {name}{tie}: it meets what was measured with "
            f"{chance}{short}; not measured: {', '.join(lacking)}. Measure that before it is taken."
        )
    behind = [one for one in pairs if _lacking(one)]
    whole = " that was measured over the whole duty" if behind else ""
    if first[0][_MEETS] < 0.5:
        found = f"No pair{whole} is likely to meet the duty; nearest is {name}, with {chance}: {_missed(first[0])}."
    elif len(pairs) - len(behind) == 1:
        found = f"{name} is the only pair{whole}; it meets the duty with {chance}."
    elif len(first) == 1:
        found = f"Take {name}: it meets the duty with {chance} and is better than any other pair{whole}."
    else:
        found = f"{name} meets the duty with {chance}, but cannot be told from {others}: take whichever is at hand."
    if behind:
        lacks = dict.fromkeys(part for one in behind for part in _lacking(one))
        found += f" Behind stand {len(behind)} of which parts of the duty were not measured: {', '.join(lacks)}."
    return found


def _name(one: Mapping[str, Any]) -> str:
    return " + ".join(filter(None, (one["motor"], one["controller"])))


def _missed(one: Mapping[str, Any]) -> str:
    doubtful = sorted((chance, key) for key, chance in one["parts_of_the_duty"].items() if chance < _SURE)
    return "; ".join(f"{_SHORT[key]} {numbers.probability(chance)}" for chance, key in doubtful)


def _table(title: str, rows: Sequence[Mapping[str, Any]]) -> TableView:
    shown = [_row(one) for one in rows[: _MOST[title]]]
    return TableView(_TITLES[title], shown, len(rows) - len(shown), title != "controllers")


def _lacking(one: Mapping[str, Any]) -> list[str]:
    """Return the parts of the duty that a candidate could not be held against."""
    return [_SHORT[key] for key in one["parts_not_measured"]]


def _row(one: Mapping[str, Any]) -> RowView:
    margins = one["margins"]
    energy = one["energy_per_distance"]
    wiring = ""
    if one["motor"] and one["controller"]:
        count = one["wires_to_move"]
        wiring = "not known" if count is None else "as they are" if count == 0 else f"move {count}"
    lacking = _lacking(one)
    why = _missed(one) or ("meets what was measured" if lacking else "meets every part of the duty")
    why += f"; not measured: {', '.join(lacking)}" if lacking else ""
    first_better = one["probability_that_the_first_of_its_rank_is_better"]
    if one["tied"] and first_better != 0.5:
        why += f"; the first of this rank is better with {numbers.probability(first_better)}"
    if "empty" in margins and margins["empty"]["value"] < 0:
        why += ". Beside the duty: on the empty pack it would not start again"
    return RowView(
        f"{one['rank']}{' tie' if one['tied'] else ''}",
        _name(one),
        numbers.probability(one[_MEETS]),
        _value(energy) if energy else "",
        _margin(margins, "heat"),
        _margin(margins, "current"),
        wiring,
        why,
    )


def _margin(margins: Mapping[str, Any], key: str) -> str:
    return _value(margins[key]) if key in margins else "not measured"


def _value(shown: Mapping[str, Any]) -> str:
    low, high = shown["interval"]
    half = max(high - shown["value"], shown["value"] - low)
    return f"{numbers.result(shown['value'], half).text} {unit_text(shown['unit'])}"
