"""The ratio of electrical to mechanical speed, and whether it is a whole number of pole pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Ratio:
    """Electrical over mechanical speed with its standard uncertainty from scatter (0 from a single reading)."""

    value: float
    scatter: float
    degrees_of_freedom: float


def speed_ratio(groups: Sequence[tuple[float, float]]) -> Ratio:
    """Return the ratio of sums over ``groups`` of (electrical, mechanical) speed, scatter by the jackknife.

    r = sum w_e/sum w_m; with r_i the ratio without group i of m, u^2 = (m - 1)/m sum (r_i - mean)^2.
    A group is a stretch of a record with its own speed readings; a record with one stated speed is one group.
    """
    pairs = np.asarray(groups, dtype=float)
    total = pairs.sum(axis=0)
    value = float(total[0] / total[1])
    if len(pairs) < 2:
        return Ratio(value, 0.0, np.inf)
    without = total - pairs
    each = without[:, 0] / without[:, 1]
    m = len(pairs)
    return Ratio(value, float(np.sqrt((m - 1) / m * np.sum((each - each.mean()) ** 2))), m - 1.0)


@dataclass(frozen=True)
class Count:
    """The whole number of pole pairs (``None`` if it cannot be told) and one sentence that says why."""

    pole_pairs: int | None
    words: str


def count_pole_pairs(ratio: Ratio, stated: float | None, gear_ratio: float = 1.0, record: str = "") -> Count:
    """Decide whether ``ratio`` over ``gear_ratio`` is a whole number.

    ``stated`` is the relative standard uncertainty of the speed reading, ``None`` if no instrument states one. With
    it the count is given if exactly one whole number lies within three standard uncertainties; without, if
    the ratio is within a quarter of one, which is a convention of this program. ``record`` names the record whose speed
    would have to be known better, for the words.
    """
    value = ratio.value / gear_ratio
    u = float(np.hypot(ratio.scatter / gear_ratio, value * (stated or 0.0)))
    nearest = round(value)
    away = abs(value - nearest)
    what = "electrical over mechanical speed" + ("" if gear_ratio == 1.0 else f" over the gear ratio {gear_ratio:g}")
    seen = f"{what} is {value:.3f}" + (f" ± {2 * u:.2g} (twice the standard uncertainty)" if u else "")
    if nearest < 1:
        return Count(None, f"{seen}, less than one: check the unit of the speed and the gear ratio")
    reach = 3 * u if stated is not None else max(0.25, 3 * u)
    if reach >= 0.5:
        whose = f" of {record}" if record else ""
        return Count(None, f"{seen}, which leaves more than one whole number: measure the speed{whose} more exactly")
    if away > reach:
        return Count(
            None,
            f"{seen}, which is not a whole number: check the speed reading, the gear ratio and the drive for slip",
        )
    certainty = (
        f"the nearest whole number is {away / u:.1f} standard uncertainties away, the next {(1 - away) / u:.0f}"
        if stated is not None and u > 0
        else "no accuracy of the speed reading is stated, so the nearest whole number within 0.25 is taken"
    )
    return Count(nearest, f"{seen}; {certainty}")
