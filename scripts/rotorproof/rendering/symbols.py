"""Units and symbols as print shows them: "N m s/rad" as N·m·s/rad, "R_ph" as an italic R with a subscript.

Symbols of quantities are italic, units and words in subscripts upright (ISO 80000-1:2009, 7.1 and 7.2).
"""

from __future__ import annotations

import re
from functools import cache

from markupsafe import Markup

_UNITS = {"ohm": "Ω", "percent": "%", "degC": "°C", "1": "", "uF": "µF", "uH": "µH", "us": "µs", "uV": "µV", "uA": "µA"}
_UNITS |= {f"{prefix}ohm": f"{prefix}Ω" for prefix in ("m", "k", "M", "G")} | {"uohm": "µΩ"}
_UNITS |= {"deg": "°", "degree": "°", "delta_degC": "K"}
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_GREEK = {
    "alpha": "α", "beta": "β", "gamma": "γ", "delta": "δ", "Delta": "Δ", "epsilon": "ε", "eta": "η", "theta": "θ",
    "Theta": "Θ", "kappa": "κ", "lambda": "λ", "mu": "µ", "nu": "ν", "pi": "π", "rho": "ρ", "sigma": "σ", "tau": "τ",
    "phi": "φ", "Phi": "Φ", "psi": "ψ", "Psi": "Ψ", "omega": "ω", "Omega": "Ω", "xi": "ξ",
}  # fmt: skip


@cache
def unit_text(unit: str) -> str:
    """Return a unit as print shows it; an unknown one is returned as it is written."""
    parts = re.split(r"(\s*/\s*|\s+)", unit.strip())
    shown = []
    for part in parts:
        if "/" in part:
            shown.append("/")
        elif part.isspace():
            shown.append("·")
        else:
            name, caret, exponent = part.partition("^")
            # "1" alone is no unit to print, but the 1 of 1/s is.
            written = name if name == "1" and len(parts) > 1 else _UNITS.get(name, name)
            shown.append(written + (exponent.translate(_SUPERSCRIPT) if caret else ""))
    return "".join(shown)


def axis_label(title: str, unit: str) -> str:
    """Return "Voltage / V": a quantity over its unit is the number that the axis shows (ISO 80000-1:2009, 7.1.4)."""
    text = unit_text(unit)
    if not text:
        return title
    return f"{title} / ({text})" if "/" in text or "·" in text else f"{title} / {text}"


def symbol_html(symbol: str) -> Markup:
    """Return a symbol such as ``R_ph`` or ``tau_th`` as HTML; the text is escaped."""
    base, _, rest = symbol.partition("_")
    html = Markup("<i>{}</i>").format(_letters(base))
    if rest:
        html += Markup("<sub>{}</sub>").format(_letters(rest.replace("_", ",")))
    return html


def symbol_text(symbol: str) -> str:
    """Return a symbol in plain text, for places that hold no markup."""
    base, separator, rest = symbol.partition("_")
    return _letters(base) + separator + _letters(rest)


def _letters(text: str) -> str:
    """Replace spelled Greek letters, alone or before a prime or a digit."""
    return re.sub(r"[A-Za-z]+", lambda match: _GREEK.get(match[0], match[0]), text)


def with_unit(number: str, unit: str) -> Markup:
    """Return number and unit as HTML; a line may break before "±", "×" and "(" only."""
    text = unit_text(unit)
    space = "" if text in ("", "°") else "\u00a0"
    pieces = re.split(r"[ \u202f](?=[±×(])", f"{number}{space}{text}")
    return Markup(" ").join(Markup('<span class="n">{}</span>').format(piece) for piece in pieces)


def unbroken(text: str) -> Markup:
    """Return text as HTML in which a line may break before a number only, not within a unit such as V·s/rad."""
    pieces = re.split(r" (?=[\d−])", text)
    return Markup(" ").join(Markup('<span class="n">{}</span>').format(piece) for piece in pieces)


def prose(text: str) -> str:
    """Return a sentence of the program with print's signs: "20 degC", "m s^2", "2e-06" as 20 °C, m s², 2 × 10⁻⁶."""
    text = re.sub(r"(?<=\d )([kMGm]?ohm|degC)\b", lambda match: unit_text(match[1]), text)
    text = re.sub(r"(?<=[A-Za-z])\^(-?\d)\b", lambda match: match[1].translate(_SUPERSCRIPT), text)
    return re.sub(r"(?<=\d)e([+-]\d+)\b", lambda m: f" × 10{str(int(m[1])).translate(_SUPERSCRIPT)}", text)
