"""Symbols and values as print shows them: "R_ph" as an italic R with a subscript, a number on one line with its unit.

Symbols of quantities are italic, units and words in subscripts upright (ISO 80000-1:2009, 7.1 and 7.2).
"""

from __future__ import annotations

import re

from markupsafe import Markup

from ..signs import stands_apart, unit_text

_GREEK = {
    "alpha": "α", "beta": "β", "gamma": "γ", "delta": "δ", "Delta": "Δ", "epsilon": "ε", "eta": "η", "theta": "θ",
    "Theta": "Θ", "kappa": "κ", "lambda": "λ", "mu": "µ", "nu": "ν", "pi": "π", "rho": "ρ", "sigma": "σ", "tau": "τ",
    "phi": "φ", "Phi": "Φ", "psi": "ψ", "Psi": "Ψ", "omega": "ω", "Omega": "Ω", "xi": "ξ",
}  # fmt: skip


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


def _letters(text: str) -> str:
    """Replace spelled Greek letters, alone or before a prime or a digit."""
    return re.sub(r"[A-Za-z]+", lambda match: _GREEK.get(match[0], match[0]), text)


def with_unit(number: str, unit: str) -> Markup:
    """Return number and unit as HTML; a line may break before "±", "×" and "(" only."""
    pieces = unbroken_pieces(number, unit)
    return Markup(" ").join(Markup('<span class="n">{}</span>').format(piece) for piece in pieces)


def unbroken_pieces(number: str, unit: str) -> list[str]:
    """Return the pieces of a number with its unit between which a line may break: before "±", "×" and "("."""
    text = unit_text(unit)
    return re.split(r"[ \u202f](?=[±×(])", f"{number}{before_unit(text)}{text}")


def before_unit(text: str) -> str:
    """Return what stands between a number and its unit: a space that no line breaks at, or nothing."""
    return "\u00a0" if stands_apart(text) else ""


def unbroken(text: str) -> Markup:
    """Return text as HTML in which a line may break before a number only, not within a unit such as V·s/rad."""
    pieces = re.split(r" (?=[\d−])", text)
    return Markup(" ").join(Markup('<span class="n">{}</span>').format(piece) for piece in pieces)


#: The space between a number and its unit, or before "±": no line breaks there.
_HELD = re.compile(
    r" (?=± ?\d)|(?<=[\d)⁰¹²³⁴⁵⁶⁷⁸⁹]) "
    r"(?=(?:%|°C|(?:rpm|rad|min|h|kg|[GMkmµn]?(?:Ω|Hz|Wh|Ah|[VAWNHFJKTCsgm]))(?:[·/²³]\S*)?)(?!\w))"
)


def prose(text: str) -> str:
    """Return a sentence in which no line breaks between a number and its unit; no letter and no sign of it changes."""
    return _HELD.sub("\u00a0", text)
