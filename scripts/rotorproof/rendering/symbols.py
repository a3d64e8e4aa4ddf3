"""Units and symbols as print shows them: "N m s/rad" as N·m·s/rad, "R_ph" as an italic R with a subscript.

Symbols of quantities are italic, units and words in subscripts upright (ISO 80000-1:2009, 7.1 and 7.2).
"""

from __future__ import annotations

import re
from collections.abc import Callable
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


def _letters(text: str) -> str:
    """Replace spelled Greek letters, alone or before a prime or a digit."""
    return re.sub(r"[A-Za-z]+", lambda match: _GREEK.get(match[0], match[0]), text)


def with_unit(number: str, unit: str) -> Markup:
    """Return number and unit as HTML; a line may break before "±", "×" and "(" only."""
    text = unit_text(unit)
    space = before_unit(text)
    pieces = re.split(r"[ \u202f](?=[±×(])", f"{number}{space}{text}")
    return Markup(" ").join(Markup('<span class="n">{}</span>').format(piece) for piece in pieces)


def before_unit(text: str) -> str:
    """Return what stands between a number and its unit: nothing before "°" (ISO 80000-1:2009, 7.1.4), else a space."""
    return "" if text in ("", "°") else "\u00a0"


def unbroken(text: str) -> Markup:
    """Return text as HTML in which a line may break before a number only, not within a unit such as V·s/rad."""
    pieces = re.split(r" (?=[\d−])", text)
    return Markup(" ").join(Markup('<span class="n">{}</span>').format(piece) for piece in pieces)


#: What its reader has to type or find stays as it is written: 'quoted text', [units of columns] and names of files.
_FILE = r"(?<!\w)[\w./+-]*\w\.[A-Za-z][A-Za-z0-9]{1,7}(?:\.(?:gz|zst))?(?!\w)"
_TYPED = re.compile(rf"(?<!\w)'[^'\n]{{1,80}}'(?!\w)|`[^`\n]+`|\[[^\]\s][^\]\n]{{0,20}}\]|{_FILE}")
#: Units that other units are multiplied by in running text, and those that may follow them.
_PREFIXED = r"[kMGmun\u00b5]?(?:[oO]hm|Hz|V|A|W|N|H|F|s|g|m|J|C|T)"
_UNIT = rf"(?:degC|delta_degC|degrees?|deg|percent|rpm|rad|min|h|K|Wh|Ah|revolution|{_PREFIXED})(?:\^-?\d)?"
_PRODUCT = r"(?:N m s(?:\^2)?|N m|V s|kg m\^2|kg m\u00b2|A s|W s|V A)"
_COMPOUND = re.compile(
    rf"(?<=[\d)⁰¹²³⁴⁵⁶⁷⁸⁹])(?P<space>[ \u00a0]?)"
    rf"(?P<unit>(?:{_PRODUCT}|{_UNIT})(?:/(?:\((?:[^()]+)\)|{_UNIT}))*)(?![\w^/\u00b2])"
)
#: A number that begins a word: that of "load-24V" or "CT-1e-5" belongs to a name.
_BEGINS = r"(?<![\w.,/])(?<!\w-)"
_VALUE = re.compile(rf"{_BEGINS}\d[\d.,]*$")
_POWER = re.compile(rf"{_BEGINS}(\d+(?:\.\d+)?)e([+-]\d+)\b")
_HEADED = re.compile(rf"(?<= / )\(?(?:{_PRODUCT}|{_UNIT})(?:/{_UNIT})*\)?(?= [|]|,|;|$|\)| of )")
_PREFIX = {"u": "µ"}
_SIGNS = (
    (re.compile(r"\s*\+/-\s*(?=\d)"), "\u00a0± "),
    (re.compile(r"\+/-"), "±"),
    (re.compile(r"<="), "≤"),
    (re.compile(r">="), "≥"),
    (re.compile(r"\bsqrt\((\d)\)"), r"√\1"),
    # A hyphen before a number is a minus sign, unless it joins words or the parts of a date or of a standard's number.
    (re.compile(r"(?<![\w.,)\]}/'-])-(?=\d)"), "−"),
    (re.compile(r"(?<=[\d\s)])(?:\*|x)(?= ?[\d(])(?<=[ )][*x])"), "×"),
    (re.compile(rf"{_BEGINS}\d[\d.]*(?:[*x]\d[\d.]*)+(?!\w)"), lambda match: re.sub("[*x]", "×", match[0])),
    (re.compile(r"(?<=[\w)]) \* (?=[\w(√])"), " × "),
    (re.compile(r"(?<=\d)[ \u00a0]?%"), "\u00a0%"),
    (re.compile(r"(?<![\w])([mkMGu]?)[oO]hm\b"), lambda match: f"{_PREFIX.get(match[1], match[1])}Ω"),
    (re.compile(r"\bdegC\b"), "°C"),
)


def prose(text: str) -> str:
    """Return a sentence with print's signs: "20 degC +/- 1 degC", "2e-06 N m" as 20 °C ± 1 °C, 2 × 10⁻⁶ N·m.

    Signs, units and powers alone change, and never within 'quotes', [brackets] or names of files: that is text to
    type or to find. A number and its unit are kept on one line.
    """
    return outside_typed(_signs, text)


def outside_typed(change: Callable[[str], str], text: str) -> str:
    """Return ``text`` with ``change`` made to everything but 'quotes', [brackets] and names of files."""
    pieces, end = [], 0
    for typed in _TYPED.finditer(text):
        pieces += [change(text[end : typed.start()]), typed[0]]
        end = typed.end()
    return "".join([*pieces, change(text[end:])])


def _signs(text: str) -> str:
    if not text:
        return text
    # Symbols are read before units: the "x 10" of a power must not look like a product of two numbers.
    text = _POWER.sub(lambda m: f"{m[1]} × 10{str(int(m[2])).translate(_SUPERSCRIPT)}", text)
    text = _COMPOUND.sub(_after_number, text)
    text = _HEADED.sub(lambda match: unit_text(match[0]), text)
    text = re.sub(r"(?<=[A-Za-z)])\^(-?\d)\b", lambda match: match[1].translate(_SUPERSCRIPT), text)
    for pattern, sign in _SIGNS:
        text = pattern.sub(sign, text)
    return text


def _after_number(match: re.Match[str]) -> str:
    unit, text = match["unit"], match.string
    if not match["space"]:
        named = text[match.start() - 1].isdecimal() and not _VALUE.search(text, 0, match.start())
        named = named or re.match(r"[-.]\w", text[match.end() :]) is not None
        if named or (len(unit) == 1 and unit not in "VAWKs"):
            return unit  # "3m", "2C", "load-24V", "24V-run": a name rather than a value
    written = unit_text(unit)
    return f"{before_unit(written)}{written}"
