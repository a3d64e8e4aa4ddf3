"""Where a straight line of friction torque over speed stands: what a bend of the drag does to its two terms."""

from __future__ import annotations

from dataclasses import dataclass

#: The fitted parameter of a run whose readings show a bend that they do not tell apart: the windage beside its line,
#: over the moment of inertia where its friction is.
BEND = "bend_of_drag"


@dataclass(frozen=True, slots=True)
class FrictionLine:
    """What a run's straight line takes up of a torque ``windage`` times the square of speed, SI.

    ``coulomb`` (rad^2/s^2) and ``viscous`` (rad/s) are what one unit of windage adds to its terms: they depend on the
    speeds of the run and on the weights of its fit alone, and are none where the run tells air drag apart. ``top`` is
    the highest speed (rad/s).
    """

    coulomb: float
    viscous: float
    top: float
