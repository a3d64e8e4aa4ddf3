"""Friction as all runs of a unit observe it: straight lines over different speeds, ratios to the inertia, a bridge.

- *The set*: Coulomb and viscous term, air drag where a run tells it apart, and the moment of inertia where a run
  without torques ties all of them to its deceleration.
- *Lines over different speeds*: a straight line takes up part of any bend of the drag, by the speeds and weights of
  its fit (``Procedure.friction_line``). The adjusted line is that of the coast-down; the others are brought to it by
  the bend that it shows, known or not told from none.
- *A bridge*: what it takes beyond its standby power is taken off the runs that hold it
  (``physics.friction.bridge_loss_in_friction``) where another run holds none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import FitError
from ..physics.friction import bridge_loss_in_friction
from ..procedures._friction_line import FrictionLine
from ..procedures.assumption import Assumption
from ..uncertainty.adjustment import Observation, adjust
from ..uncertainty.forms import Form, Influence
from .observed import Group, Observed, Runs, plus

FRICTION = ("coulomb_friction", "viscous_friction")
_SQUARE, _INERTIA = "windage", "moment_of_inertia"
_RATIOS = ("coulomb_deceleration", "viscous_decay_rate")
#: Never adjusted by themselves: what they mean hangs on the speeds of the run.
FRICTION_ALONE = (*FRICTION, *_RATIOS)
_DROP = Assumption(
    "bridge_drop",
    0.1,
    0.1,
    "beyond its standby power a bridge takes up to 0.2 volt times the direct current (common practice, no source)",
    of_unit=True,
)
_SWITCHES = Assumption(
    "bridge_resistance",
    0.02,
    0.02,
    "two switches and their leads have up to 40 milliohm (common practice, no source)",
    of_unit=True,
)
#: The drag of one run is that of another to this share: grease and magnets are never equally warm (common practice).
_WARMTH = 0.02
#: Of the torque at top speed, the most that goes as its square where no run tells anything of it (common practice).
_MOST_BEND = 0.5
_ROUNDS = 6  # of finding friction and inertia together: each squares what is left of the way


def friction(runs: Runs) -> Group | None:
    """Return what the runs observe of friction, ``None`` where only one does.

    A run of which nobody knows where its line stands says nothing of the others. Without the preferred one nothing is
    adjusted.
    """
    given = runs.giving(*FRICTION)
    if given and runs.outcomes[given[0]].line is None:
        return None
    giving = [at for at in given if runs.outcomes[at].line is not None]
    giving = runs.even(sorted(giving, key=lambda at: (_holds(runs, at), giving.index(at))), *FRICTION)
    ratios = [
        at
        for at in runs.giving(*_RATIOS, _INERTIA)
        if FRICTION[0] not in runs.outcomes[at].forms and runs.outcomes[at].line is not None
    ]
    if not giving or len(giving) + len(ratios) < 2:
        return None
    reference = (ratios or giving)[0]
    ties = _Ties(runs, reference, giving[0], clean=bool(ratios) or not _holds(runs, giving[0]))
    observed, places = [], []
    for at in giving:
        if found := ties.run(at):
            observed += found
            places.append(at)
    if not places or len(places) + len(ratios) < 2:
        return None
    names = list(FRICTION)
    if ties.square:
        names.append(_SQUARE)
        one = Observation(runs.outcomes[reference].procedure, runs.form(reference, _SQUARE), {_SQUARE: 1.0})
        observed.append(Observed(one, _SQUARE))
    if ratios:
        names.append(_INERTIA)
        places.append(ratios[0])
        observed += _decelerations(runs, ratios[0], observed)
        for at in runs.even([at for at in runs.giving(_INERTIA) if at not in ratios], _INERTIA):
            # What finds the inertia by itself observes it beside the ratios.
            one = Observation(runs.outcomes[at].procedure, runs.form(at, _INERTIA), {_INERTIA: 1.0})
            observed.append(Observed(one, _INERTIA))
            places.append(at)
    places = list(dict.fromkeys(places))
    return Group(names, observed, places, with_controller_loss=not ties.clean, notes=ties.notes())


def _holds(runs: Runs, at: int) -> bool:
    """Tell whether a run's friction holds part of a controller's loss."""
    return FRICTION[0] in runs.outcomes[at].with_controller_loss


@dataclass(frozen=True)
class _Ties:
    """What brings the line of a run to that of the run at ``reference``, from about the friction of that at ``best``.

    With ``clean`` none of a bridge's loss is to be left.
    """

    runs: Runs
    reference: int
    best: int
    clean: bool

    @property
    def square(self) -> bool:
        """Tell whether air drag is told apart, and so an unknown of its own."""
        return _SQUARE in self.runs.outcomes[self.reference].forms

    @property
    def about(self) -> tuple[float, float]:
        """Return friction as the best run gives it."""
        forms = self.runs.outcomes[self.best].forms
        return forms[FRICTION[0]].value, forms[FRICTION[1]].value

    def run(self, at: int) -> list[Observed]:
        """Return the two terms of a run's line; nothing where it cannot be brought to the reference."""
        outcome = self.runs.outcomes[at]
        line = outcome.line
        assert line is not None
        forms = [self.runs.form(at, name) for name in FRICTION]
        if self.clean and _holds(self.runs, at):
            taken = self._bridge(line)
            if taken is None:
                return []
            forms = [form.minus(loss) for form, loss in zip(forms, taken, strict=True)]
        designs: list[dict[str, float]] = [{name: 1.0} for name in FRICTION]
        if at != self.reference:
            per = (line.coulomb, line.viscous)
            if self.square:
                for design, by in zip(designs, per, strict=True):
                    design[_SQUARE] = by
            else:
                forms = [plus(form, bend) for form, bend in zip(forms, self._bend(line), strict=True)]
            name = f"assumed/{self.runs.unit}/{outcome.procedure}/warmth"
            warmth = Influence(name, "grease and magnets not equally warm in two runs", "rectangular")
            forms = [
                plus(form, Form(0.0, {warmth: _WARMTH / math.sqrt(3.0) * abs(value)}))
                for form, value in zip(forms, self.about, strict=True)
            ]
        return [
            Observed(Observation(outcome.procedure, form, design), name)
            for form, design, name in zip(forms, designs, FRICTION, strict=True)
        ]

    def _bridge(self, line: FrictionLine) -> tuple[Form, Form] | None:
        """Return what the bench's bridge adds to both terms of a line; ``None`` where the current is not known."""
        constant = next(
            (one.forms["emf_constant_dc"].value for one in self.runs.outcomes if "emf_constant_dc" in one.forms), None
        )
        if constant is None:
            return None
        terms = [Form(0.0), Form(0.0)]
        for item, unit in ((_DROP, (1.0, 0.0)), (_SWITCHES, (0.0, 1.0))):
            by = bridge_loss_in_friction(*self.about, constant, *unit, line.top)
            assumed = self.runs.assumed(item)
            terms = [plus(form, assumed.scaled(c)) for form, c in zip(terms, by, strict=True)]
        return terms[0], terms[1]

    def _bend(self, line: FrictionLine) -> tuple[Form, Form]:
        """Return what a bend of the drag adds to both terms from this line to that of the reference."""
        reference = self.runs.outcomes[self.reference]
        own = reference.line
        assert own is not None
        if reference.bend is not None:
            # The same readings gave the line: what they share is in the influences.
            windage = reference.bend.scaled(1.0 if FRICTION[0] in reference.forms else reference.forms[_INERTIA].value)
        else:
            influence = Influence(f"assumed/{self.runs.unit}/bend_of_drag", "bend of the drag over speed")
            c, b = self.about
            most = _MOST_BEND * (c + b * line.top) / line.top**2
            windage = Form(0.5 * most, {influence: 0.5 * most / math.sqrt(3.0)})
        return windage.scaled(own.coulomb - line.coulomb), windage.scaled(own.viscous - line.viscous)

    def notes(self) -> list[str]:
        """Say what was assumed."""
        held = self.clean and any(_holds(self.runs, at) for at in self.runs.giving(*FRICTION))
        assumed = [f"Assumed: {item.why}." for item in (_DROP, _SWITCHES)] if held else []
        return [
            *assumed,
            f"Assumed: the drag of one run is that of another to {100 * _WARMTH:.0f} percent, since grease and magnets "
            "are never equally warm (common practice, no source).",
        ]


def _decelerations(runs: Runs, at: int, observed: list[Observed]) -> list[Observed]:
    """Return the ratios of friction to inertia as observations of both, linear about what they and the lines give.

    Raises ``FitError`` where they do not determine the inertia.
    """
    outcome = runs.outcomes[at]
    inertia = outcome.forms[_INERTIA].value
    lines = adjust("start", [one.observation for one in observed])
    torques = [lines.forms[name].value for name in FRICTION]
    found: list[Observed] = []
    for _ in range(_ROUNDS):
        found = []
        for name, ratio, torque in zip(FRICTION, _RATIOS, torques, strict=True):
            # ratio = torque / inertia, and its tangent.
            form = plus(runs.form(at, ratio), Form(-torque / inertia))
            design = {name: 1.0 / inertia, _INERTIA: -torque / inertia**2}
            found.append(Observed(Observation(outcome.procedure, form, design), name, inertia, ratio))
        forms = adjust("step", [one.observation for one in (*observed, *found)]).forms
        torques, inertia = [forms[name].value for name in FRICTION], forms[_INERTIA].value
        if not inertia > 0:
            raise FitError("friction and deceleration do not fit one moment of inertia")
    return found
