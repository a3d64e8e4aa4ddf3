"""What the readings of a test give: blocks of parameters with their scatter, and the residuals they were judged by."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol

import numpy as np

from ..physics.regression import Estimates
from ..uncertainty.forms import Distribution


class Scattered(Protocol):
    """Whatever a fit of readings is kept in: its residuals ``(n,)``, their spread and degrees of freedom."""

    @property
    def residuals(self) -> np.ndarray: ...  # noqa: D102
    @property
    def residual_sd(self) -> float: ...  # noqa: D102
    @property
    def degrees_of_freedom(self) -> float: ...  # noqa: D102


#: A covariance ``(k, k)``, the variance of a single value, or what computes it: a repeated fit never asks for it.
Spread = float | np.ndarray | Callable[[], np.ndarray]


@dataclass(frozen=True)
class Block:
    """Parameters fitted together: values and their ``(k, k)`` covariance from scatter alone, SI.

    ``label`` names the fit in budgets ("scatter of the line-pair A-B readings"). A *rectangular* block holds
    errors with hard limits that the readings themselves bring along (the resolution of a counter), a *two-point* one
    errors that have one of two values: its values are their best estimates, its diagonal covariance their variances. A
    block ``of_unit`` holds what is not known of
    the bench, by its label: the same error in every test of the unit.
    """

    label: str
    values: Mapping[str, float]
    spread: Spread = 0.0
    degrees_of_freedom: float = np.inf
    distribution: Distribution = "normal"
    of_unit: bool = False

    @cached_property
    def covariance(self) -> np.ndarray:
        """Return the covariance ``(k, k)``; a single number is the variance of each value."""
        found = self.spread() if callable(self.spread) else self.spread
        return np.asarray(found) if np.ndim(found) else np.eye(len(self.values)) * found


@dataclass(frozen=True)
class Residuals:
    """What a fit of readings leaves over, ``(n,)`` each, for whoever asks whether its formula was adequate.

    ``unit`` is the SI unit of ``fitted``, ``residual`` and ``uncertainty``, which is the scatter that the fit itself
    found in one reading (one number, or one for each reading). ``regressors`` hold what the formula rests on,
    ``time`` when a reading was taken (s), ``replicate`` a whole number that readings at the same setting share.
    ``covered`` says that the fit's covariance is that of whole blocks of readings, and so holds a pattern that
    residuals show. ``blocks`` are the labels of the blocks of parameters that rest on this fit; none stands for all of
    the test. ``bends`` says, as a sentence without its end, what of an ordinary motor the formula leaves out.
    """

    name: str
    unit: str
    fitted: np.ndarray
    residual: np.ndarray
    uncertainty: float | np.ndarray
    regressors: Mapping[str, np.ndarray]
    degrees_of_freedom: float
    time: np.ndarray | None = None
    replicate: np.ndarray | None = None
    covered: bool = False
    blocks: Sequence[str] = ()
    bends: str = ""


@dataclass
class Fit:
    """What ``estimate`` gathers: parameters in blocks, residuals, and why outputs are missing.

    ``missing`` names outputs that these readings cannot give, with the reason and what to measure. ``seen`` holds
    what the procedure's own ``report`` shows of the fit.
    """

    blocks: list[Block] = field(default_factory=list)
    missing: dict[str, str] = field(default_factory=dict)
    #: Those of them that came out as something that cannot be: the readings are in doubt.
    refused: set[str] = field(default_factory=set)
    seen: Any = None
    _left: list[Callable[[], Residuals]] = field(default_factory=list)

    @property
    def residuals(self) -> list[Residuals]:
        """Return what each fit of a formula to readings leaves over."""
        return [left() for left in self._left]

    @property
    def parameters(self) -> dict[str, float]:
        """Return all fitted parameters by name."""
        return {name: value for block in self.blocks for name, value in block.values.items()}

    def exact(self, label: str, **values: float) -> None:
        """Keep parameters that have no scatter of their own."""
        self.blocks.append(Block(label, values))

    def block(
        self,
        label: str,
        values: Mapping[str, float],
        spread: Spread,
        degrees_of_freedom: float = np.inf,
        distribution: Distribution = "normal",
        *,
        of_unit: bool = False,
    ) -> None:
        """Keep parameters fitted together."""
        self.blocks.append(Block(label, values, spread, degrees_of_freedom, distribution, of_unit))

    def estimates(
        self, label: str, names: Sequence[str], fitted: Estimates, places: Sequence[int] | None = None
    ) -> None:
        """Keep the values at ``places`` of an estimate (all without) as a block of parameters called ``names``."""
        rows = list(range(len(names)) if places is None else places)
        values = {name: float(fitted.values[row]) for name, row in zip(names, rows, strict=True)}
        self.block(label, values, fitted.covariance[np.ix_(rows, rows)], fitted.degrees_of_freedom)

    def left(
        self,
        name: str,
        unit: str,
        observed: np.ndarray,
        fitted: Scattered,
        regressors: Mapping[str, np.ndarray],
        time: np.ndarray | None = None,
        *,
        replicate: np.ndarray | None = None,
        blocks: Sequence[str] = (),
        bends: str = "",
    ) -> None:
        """Keep what an unweighted estimate leaves of the readings ``observed`` ``(n,)``."""
        rest, scatter, freedom = fitted.residuals, fitted.residual_sd, fitted.degrees_of_freedom
        self.leave(
            lambda: Residuals(
                name, unit, observed - rest, rest, scatter, regressors, freedom, time, replicate, False, blocks, bends
            )
        )

    def leave(self, left: Callable[[], Residuals]) -> None:
        """Keep residuals that are worked out when somebody asks for them, which no repeated fit does."""
        self._left.append(left)

    def lacking(self, names: Sequence[str], why: str) -> None:
        """Say why some outputs cannot be given."""
        self.missing |= dict.fromkeys(names, why)
