"""What the head of a column says: which quantity it seems to be, in which unit, and how sure that is.

The names that loggers, meters and people give are common practice, no source. A name alone never decides: a unit that
the head states must be one of the quantity's kind, and of several quantities that would fit none is taken.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from ..columns import COLUMNS
from ..units import conversion

SURE, LIKELY, OPEN = "sure", "likely", "open"

#: Canonical column -> patterns of its names, in small letters and digits alone, without words that say nothing.
_PHASES = {"a": "(a|u|r|l?1)", "b": "(b|v|s|l?2)", "c": "(c|w|t|l?3)"}
_PAIRS = {
    "ab": "(ab|uv|rs|12|l1l2|l12)",
    "bc": "(bc|vw|st|23|l2l3|l23)",
    "ca": "(ca|ac|wu|tr|31|13|l3l1|l31)",
}
_VOLTS, _AMPS = "(v|u|e|emf|volts?|voltage|spannung)", "(i|curr|current|amps?|strom)"
_SUPPLY = "(dc|supply|battery|batt?|bus|pack|in|input|link|dclink|rail)"
_TEMPERATURE = "(t|temp|temperature|theta|temperatur)"
_NAMES: tuple[tuple[str, str], ...] = (
    ("time", r"(elapsed|rel|relative)?(time|zeit|temps|t|sec|secs|seconds|xaxis|timestamp|clock|uhrzeit|times)"),
    *((f"voltage_{pair}", rf"{_VOLTS}(ll)?{names}") for pair, names in _PAIRS.items()),
    *(
        (f"ac_voltage_{pair}", rf"(ac|rms){_VOLTS}?(ll)?{names}|{_VOLTS}(ac|rms){names}")
        for pair, names in _PAIRS.items()
    ),
    # "Vac" may be alternating volts as well as those between C and A.
    ("ac_voltage_ab", r"[uv]ac"),
    *((f"voltage_{phase}", rf"{_VOLTS}{names}n?") for phase, names in _PHASES.items()),
    *((f"current_{phase}", rf"{_AMPS}(ph|phase)?{names}|(ph|phase){names}") for phase, names in _PHASES.items()),
    *((f"current_{pair}", rf"{_AMPS}{names}") for pair, names in _PAIRS.items()),
    *((f"current_{axis}", rf"{_AMPS}s?{axis}(axis)?|{axis}(axis)?{_AMPS}") for axis in "qd"),
    *((f"voltage_{axis}", rf"{_VOLTS}s?{axis}(axis)?|{axis}(axis)?{_VOLTS}") for axis in "qd"),
    ("supply_voltage", rf"{_SUPPLY}{_VOLTS}?|{_VOLTS}{_SUPPLY}|psuv"),
    ("supply_current", rf"{_SUPPLY}{_AMPS}?|{_AMPS}{_SUPPLY}|psui"),
    (
        "speed",
        r"(wheel|rotor|shaft|mech|mechanical)?(speed|rpm|n|omega|ω|w|wm|rotation|drehzahl|velocity|tacho)(mech|m)?",
    ),
    ("torque", r"(shaft|load|brake)?(torque|m|t|tq|trq|moment|drehmoment)(shaft|brake)?"),
    ("force", r"(force|f|loadcell|kraft|scale)"),
    ("angle", r"(rotor|mech|mechanical)?(angle|position|pos|theta|θ|winkel)(mech|m)?"),
    ("throttle", r"(throttle|thr|gas)(signal|v|voltage)?"),
    ("duty", r"(duty|dutycycle|dutyratio|pwm)"),
    ("brake", r"(brake|excitation)(v|voltage|signal)?"),
    (
        "temperature_winding",
        rf"{_TEMPERATURE}(winding|motor|coil|stator|w|wdg)|(winding|motor|coil|stator){_TEMPERATURE}",
    ),
    ("temperature_ambient", rf"{_TEMPERATURE}(amb|ambient|air|room|a)|(amb|ambient|room|air){_TEMPERATURE}|ambient"),
    ("temperature_case", rf"{_TEMPERATURE}(case|housing|shell)|(case|housing|shell){_TEMPERATURE}"),
    (
        "temperature_controller",
        rf"{_TEMPERATURE}(controller|fet|mosfet|mos|esc|bridge|inverter)|(controller|fet|mosfet|esc|inverter){_TEMPERATURE}",
    ),
    *((f"hall_{phase}", rf"(hall|h|sensor){names}") for phase, names in _PHASES.items()),
    *(
        (f"gate_{phase}h", rf"(gate|g)?({names}h|hin{names}|{names}(high|top)|high{names})|(gate|g)h{names}")
        for phase, names in _PHASES.items()
    ),
    *(
        (f"gate_{phase}l", rf"(gate|g)?({names}l|lin{names}|{names}(low|bottom)|low{names})|(gate|g)l{names}")
        for phase, names in _PHASES.items()
    ),
    *((f"resistance_{pair}", rf"(r|res|resistance){names}") for pair, names in _PAIRS.items()),
    *((f"inductance_{pair}", rf"(l|ind|inductance){names}") for pair, names in _PAIRS.items()),
    ("insulation_resistance", r"(r)?(iso|ins|insul|insulation)(r|resistance)?"),
    ("phase_power", r"(p|power)(sum|total|3ph|el|elec|electrical|motor)"),
    *((f"wattmeter_{place}", rf"(p|w|wattmeter){place}") for place in (1, 2)),
)
#: Names that say the kind and no more: which of these columns is meant must be asked.
_KIND_ONLY = {
    "temperature": ("temperature_winding", "temperature_case", "temperature_ambient", "temperature_controller"),
    "voltage": ("supply_voltage", "voltage_ab", "ac_voltage_ab", "throttle"),
    "current": ("supply_current", "current_a", "current_ab", "current_q"),
    "power": ("phase_power", "wattmeter_1"),
    "resistance": ("resistance_ab", "insulation_resistance"),
    "inductance": ("inductance_ab",),
}
_GENERIC = {
    "temperature": rf"{_TEMPERATURE}\d?",
    "voltage": rf"{_VOLTS}",
    "current": rf"{_AMPS}",
    "power": r"(p|power|leistung)",
    "resistance": r"(r|res|resistance|ohms?)",
    "inductance": r"(l|ind|inductance)",
}
#: Readings in ohms that a heat run alone takes.
_OF_HEAT_RUN = ("resistance_ab", "resistance_bc", "resistance_ca")
#: A letter and one figure: a phase, or an input of the instrument.
_NUMBERED = re.compile(r"[a-z]+[1-4]")
_BY_CASE = ("t", "T")
#: Names whose last letter is a phase, whatever unit it would be.
_PHASE_NAMED = re.compile(r"(hall|gate|phase|sensor|h|g)", re.IGNORECASE)
#: Words beside a name that tell nothing of the quantity.
_EMPTY = re.compile(
    r"\b(measured|meas|actual|act|avg|average|mean|value|reading|filtered|raw|channel|ch|at drive|at motor|of drive|"
    r"probe|signal|data|the)\b"
)
#: How people spell units, and how they are read.
_SPELT = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "millisec": "ms",
    "volt": "V", "volts": "V", "v": "V", "mv": "mV", "amp": "A", "amps": "A", "a": "A", "ma": "mA",
    "ohm": "ohm", "ohms": "ohm", "mohm": "mohm", "watt": "W", "watts": "W", "w": "W",
    "n-m": "N m", "n.m": "N m", "n*m": "N m", "nm": "Nm", "newton": "N", "n": "N", "kg": "kgf",
    "deg c": "degC", "degc": "degC", "celsius": "degC", "° c": "degC", "rpm": "rpm", "rad/sec": "rad/s",
    "radians": "rad", "degrees": "deg", "°": "deg", "pct": "%", "percent": "%", "0/1": "1", "logic": "1", "-": "1",
}  # fmt: skip
_BRACKET = re.compile(r"[\[(]([^\[\]()]{1,40})[\])]")
_AFTER = re.compile(r"(?:\s*/\s*|,\s+|\s+in\s+)([^\s/,]{1,20}(?:/[^\s/,]{1,10})?)$")
#: A unit that stands behind a name with a blank alone; "a" and "n" are as often phases and names.
_LAST_WORD = re.compile(r"\s(V|mV|A|mA|W|Nm|N|rpm|RPM|°C|degC|ms|us|s|%|ohm|Ω|mΩ|uH|mH|rad/s|deg)$")
#: Volts that a head calls alternating: "U12 (V AC)", "Vrms", "V~".
_ALTERNATING = re.compile(r"\s*[\[(/]?\s*\bV\s?(?:AC|ac|~|rms|RMS|eff)\s*[\])]?$")


@dataclass(frozen=True)
class Heading:
    """What a head was taken for; ``candidates`` are the columns that it may be where that is open."""

    canonical: str | None
    unit: str | None
    sure: str
    why: str
    candidates: tuple[str, ...] = ()


def recognised(head: str) -> Heading:
    """Return what the head of a column seems to be. The longest name that a file may have takes no noticeable time."""
    name, unit = split(head)
    bare = re.sub(r"[^0-9a-zωθ]+", "", _EMPTY.sub(" ", name.lower().replace("_", " ")))
    plain = name.strip().lower().replace(" ", "_")
    fitting = _of_kind([plain] if plain in COLUMNS else _named(bare), unit, bare)
    if name.strip() in _BY_CASE:
        # A small t is the time, a large one a torque or a temperature.
        fitting = tuple(column for column in fitting if (column == "time") == (name.strip() == "t"))
    if len(fitting) == 1:
        column = fitting[0]
        kind = COLUMNS[column].kind
        if kind == "logic":
            return Heading(column, unit or "1", LIKELY if unit is None else SURE, "by its name; a level has no unit")
        read = unit or ("rpm" if bare == "rpm" else None)
        if read is not None:
            numbered = bool(_NUMBERED.fullmatch(bare)) and plain not in COLUMNS
            why = "by its name and unit; its number may be a channel's" if numbered else "by its name and unit"
            # The test that a newcomer means by such a head takes no ohms.
            heat = column in _OF_HEAT_RUN and plain not in COLUMNS
            why += "; for a heat run, as the test winding-resistance reads volts and amperes" if heat else ""
            return Heading(column, _unit(read, kind), LIKELY if numbered or heat else SURE, why)
        return Heading(column, None, OPEN, "by its name; its unit is not said", fitting)
    if fitting:
        return Heading(None, unit, OPEN, "its name may mean several", fitting)
    kinds = _kinds(unit) if unit is not None else {k for k, names in _GENERIC.items() if re.fullmatch(names, bare)}
    alone = {column.kind: column.name for column in COLUMNS.values() if column.kind in ("torque", "speed", "force")}
    for kind in kinds:
        if kind in alone and unit is not None:
            return Heading(alone[kind], _unit(unit, kind), LIKELY, f"by its unit; {name.strip()!r} says nothing")
    may_be = tuple(name for kind in sorted(kinds) for name in _KIND_ONLY.get(kind, ()) if name in COLUMNS)
    return Heading(None, unit, OPEN, "its name does not say which" if may_be else "not known", may_be)


def split(head: str) -> tuple[str, str | None]:
    """Return name and unit of a head: "T (Nm)", "Torque [N m]", "torque/Nm", "bus V", "speed, rpm"."""
    text = " ".join(head.split())
    alternating = _ALTERNATING.search(text)
    if alternating:
        return f"ac {text[: alternating.start()]}".strip(), "V"
    for found in _BRACKET.finditer(text):
        if _kinds(found[1]):
            return text[: found.start()] + " " + text[found.end() :], found[1].strip()
    for pattern in (_AFTER, _LAST_WORD):
        behind = pattern.search(text)
        if behind is None or not _kinds(behind[1]):
            continue
        before = text[: behind.start()].strip()
        if before and not (pattern is _LAST_WORD and _PHASE_NAMED.fullmatch(before)):
            return before, behind[1]
    return _BRACKET.sub(lambda found: f" {found[1]} ", text), None


def units_row(cells: Sequence[str]) -> bool:
    """Tell whether a row holds nothing but units: what stands below the names in the export of many a scope."""
    written = [cell.strip().strip("[]()").strip() for cell in cells if cell.strip()]
    return len(written) >= 1 and all(_kinds(cell) for cell in written)


def _named(bare: str) -> list[str]:
    return [column for column, pattern in _NAMES if column in COLUMNS and re.fullmatch(pattern, bare)]


def _of_kind(names: Sequence[str], unit: str | None, bare: str) -> tuple[str, ...]:
    """Return those that the unit fits; without a unit, of names that several kinds share, all."""
    if unit is None:
        # "rpm" is a unit and a name at once.
        return tuple(name for name in names if bare != "rpm" or name == "speed")
    return tuple(name for name in names if _unit(unit, COLUMNS[name].kind) is not None)


def _unit(unit: str, kind: str) -> str | None:
    """Return a unit as the program reads it for a kind of quantity, ``None`` if it is none of that kind."""
    text = unit.strip()
    tries = [text, _SPELT.get(text.lower(), text)]
    if kind == "temperature" and text in ("C", "F", "K"):
        tries = [{"C": "degC", "F": "degF", "K": "K"}[text]]
    for written in tries:
        try:
            conversion(written, kind)
        except ValueError:
            continue
        return written
    return None


def _kinds(unit: str) -> set[str]:
    return {kind for kind in {column.kind for column in COLUMNS.values()} if _unit(unit, kind) is not None}
