"""Colours, marks and fonts, shared by figures, report and register.

Nothing is told by colour alone: every decision has a word and a shape of its own, every series a marker or a dash.
The series colours are those of Okabe and Ito, "Color Universal Design" (2008), told apart under the common forms of
colour blindness; their order here also alternates dark and light, for black and white print.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

TEMPLATES = Path(__file__).parents[3] / "templates"
FONTS = TEMPLATES / "fonts"

FONT_FAMILY = "IBM Plex Sans"
#: Comes with Matplotlib, which is locked: letters the first family lacks look the same on every computer.
FALLBACK_FAMILY = "DejaVu Sans"

INK = "#1b2430"
MUTED = "#5b6673"
RULE = "#c8cfd7"
LEFT_OUT = "#8d96a0"
LIMIT = "#9b1c1c"
ZONE = "#dfe9e3"

SERIES_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#E69F00", "#56B4E9")
MARKERS = ("o", "s", "^", "D", "v", ">", "<")
DASHES = ("-", "--", "-.", ":", (0, (8, 2)), (0, (5, 1.5, 1, 1.5, 1, 1.5)), (0, (2, 1)))
HATCHES = ("", "////", "....", "xxxx", "\\\\\\\\", "oo", "++")


@dataclass(frozen=True, slots=True)
class Mark:
    """How a verdict or a decision looks: its colour, the ground behind it and the path of its shape.

    ``shape`` is drawn filled in a box of 20 by 20, ``sign`` stroked in white on it. ``hollow`` shapes are outlined.
    """

    word: str
    colour: str
    ground: str
    shape: str
    sign: str
    hollow: bool = False


_CIRCLE = "M10 1a9 9 0 1 0 0 18a9 9 0 1 0 0-18z"
_OCTAGON = "M6.3 1h7.4L19 6.3v7.4L13.7 19H6.3L1 13.7V6.3z"
_DIAMOND = "M10 0.5L19.5 10L10 19.5L0.5 10z"
_TILDE = "M5.4 11.2c1.5-2.9 3-2.9 4.6-1.2s3.1 1.7 4.6-1.2"
_SQUARE = "M2 2h16v16h-16z"
_ACCEPT = ("#17653a", "#eaf4ee", _CIRCLE, "M5.5 10.5l3 3l6-6.5")
_REJECT = ("#9b1c1c", "#fbecec", _OCTAGON, "M6.3 6.3l7.4 7.4M13.7 6.3l-7.4 7.4")
_DOUBT = ("#7a5200", "#fcf4e0", _DIAMOND, _TILDE)
_LACK = ("#46505c", "#eef1f4", _CIRCLE, "M5.5 10h9", True)

MARKS: dict[str, Mark] = {
    "accepted": Mark("accepted", *_ACCEPT),
    "rejected": Mark("rejected", *_REJECT),
    "undecided": Mark("undecided", *_DOUBT),
    "incomplete": Mark("incomplete", *_LACK),
    "pass": Mark("pass", *_ACCEPT),
    "fail": Mark("fail", *_REJECT),
    "not measured": Mark("not measured", *_LACK),
    "not reported": Mark("not reported", _LACK[0], _LACK[1], _SQUARE, "M6 14L14 6", hollow=True),
}


@dataclass(frozen=True, slots=True)
class FontFile:
    """One file of a font family."""

    family: str
    weight: int
    slope: str
    path: Path


def font_files() -> list[FontFile]:
    """Return the fonts of report and figures, those for missing letters last."""
    import importlib.util

    specification = importlib.util.find_spec("matplotlib")
    if specification is None or specification.origin is None:
        raise FileNotFoundError("Matplotlib is not installed; run 'make setup'")
    fallback = Path(specification.origin).parent / "mpl-data" / "fonts" / "ttf"
    return [
        FontFile(FONT_FAMILY, 400, "normal", FONTS / "IBMPlexSans-Regular.ttf"),
        FontFile(FONT_FAMILY, 400, "italic", FONTS / "IBMPlexSans-Italic.ttf"),
        FontFile(FONT_FAMILY, 600, "normal", FONTS / "IBMPlexSans-SemiBold.ttf"),
        FontFile(FALLBACK_FAMILY, 400, "normal", fallback / "DejaVuSans.ttf"),
        FontFile(FALLBACK_FAMILY, 600, "normal", fallback / "DejaVuSans-Bold.ttf"),
    ]
