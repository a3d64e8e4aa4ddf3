"""How the tests stand to a constant that was adjusted from them: numbers in SI, for results, figure and table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TestsValue:
    """What one test gives of the constant, its share in the adjusted value, and how far it lies from that."""

    procedure: str
    value: float
    expanded_uncertainty: float
    weight: float
    residual: float
    #: The residual over the test's own standard uncertainty.
    normalised_residual: float
    #: The quantity that the test gave, where that is another.
    given_as: str | None = None


@dataclass(frozen=True, slots=True)
class SingleError:
    """An error that would bring the tests into agreement: in words, and in its own standard uncertainty."""

    words: str
    shift: float
    procedures: Sequence[str]
    probability: float


@dataclass(frozen=True, slots=True)
class Consistency:
    """Whether the tests agree, and what stands behind an adjusted constant."""

    chi_square: float
    degrees_of_freedom: int
    probability: float
    birge_ratio: float
    agrees: bool
    out_of_line: str | None
    set_aside: Sequence[str]
    tests: Sequence[TestsValue]
    explanations: Sequence[SingleError]
