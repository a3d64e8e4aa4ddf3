"""Signs of print: units as print shows them ("N m s/rad" as N·m·s/rad), and plain letters where a screen lacks them.

Sentences carry their own signs (°C, Ω, ±, ×, −), on screen, in files and on pages alike, and nothing rewrites them.
"""

from __future__ import annotations

import codecs
import re
from functools import cache
from typing import TextIO

_UNITS = {"ohm": "Ω", "percent": "%", "degC": "°C", "1": "", "uF": "µF", "uH": "µH", "us": "µs", "uV": "µV", "uA": "µA"}
_UNITS |= {f"{prefix}ohm": f"{prefix}Ω" for prefix in ("m", "k", "M", "G")} | {"uohm": "µΩ"}
_UNITS |= {"deg": "°", "degree": "°", "delta_degC": "K"}
_RAISED = "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"
SUPERSCRIPT = str.maketrans("-0123456789", _RAISED)
_LOWERED = str.maketrans(_RAISED, "-0123456789")
_MINUS = "−"
#: From this power of ten on a number is written with it.
_LARGE = 6
#: How each sign is spelled where it cannot be shown.
_SPELLED = {
    "Ω": "ohm", "µ": "u", "°": "deg", "±": "+/-", "×": "x", "−": "-", "–": "-", "·": " ", "√": "sqrt ", "≤": "<=",
    "≥": ">=", "\u00a0": " ", "\u202f": "",
}  # fmt: skip
_SPELLING = "rotorproof-signs"


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
            shown.append(written + (exponent.translate(SUPERSCRIPT) if caret else ""))
    return "".join(shown)


def number_text(value: float, form: str = ".3g") -> str:
    """Return a number for a sentence, formatted and with signs of print: −0.12, 2.1 × 10⁻⁶, 1230."""
    mantissa, _, exponent = f"{value:{form}}".partition("e")
    if exponent and 0 <= int(exponent) < _LARGE:
        mantissa, exponent = f"{float(f'{value:{form}}'):.0f}", ""  # 190, not 1.9 × 10²
    power = f" × 10{str(int(exponent)).translate(SUPERSCRIPT)}" if exponent else ""
    return mantissa.replace("-", _MINUS) + power


def value_text(value: float, unit: str, form: str = ".3g") -> str:
    """Return a value with its unit for a sentence: "0.12 Ω", "45 %", "7.5°", "3"."""
    text = unit_text(unit)
    return f"{number_text(value, form)}{' ' if stands_apart(text) else ''}{text}"


def stands_apart(unit: str) -> bool:
    """Tell whether a space stands between a number and its unit in print: not before "°" (ISO 80000-1:2009, 7.1.4)."""
    return unit not in ("", "°")


def spell_on(*streams: TextIO) -> None:
    """Let streams spell the signs that their encoding lacks, instead of failing at them."""
    codecs.register_error(_SPELLING, _spelled)
    for stream in streams:
        if reconfigure := getattr(stream, "reconfigure", None):
            reconfigure(errors=_SPELLING)


def _spelled(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = re.sub(
        f"[{_RAISED}]+", lambda run: f"^{run[0].translate(_LOWERED)}", error.object[error.start : error.end]
    )
    return "".join(_SPELLED.get(sign, sign if sign.isascii() else "?") for sign in lacking), error.end
