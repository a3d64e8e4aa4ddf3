"""The forms a panel can have, one module each with ``draw(figure, panel)`` and ``height(panel)``."""

from __future__ import annotations

from types import ModuleType

from . import bars, intervals, levels, map, points

DRAWINGS: dict[str, ModuleType] = {
    "points": points,
    "bars": bars,
    "levels": levels,
    "intervals": intervals,
    "map": map,
}
