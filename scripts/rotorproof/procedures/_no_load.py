"""The points of a no-load run, and the power and voltage balance over them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ..errors import FitError
from ..physics import bridge_cost, friction, magnets
from ..physics.regression import Estimates, linear_fit
from ..signs import value_text
from . import _bridge_cost, _magnets, _winding_state
from ._friction_line import FrictionLine
from .base import Log
from .fit import Fit

FRICTION = ("coulomb_friction", "viscous_friction")
#: The condition that lets a bound from the nameplate stand for the winding resistance.
FROM = "resistance_from"
_NO_BOUND = "a bound of the winding resistance needs rated power and rated voltage or current on the nameplate"
#: What a run without load shows of most motors beyond its formula (common practice, no source).
BENDS = "air drag, or a bearing that warms up during the run, bends it so; a coast-down tells more"
_ROUNDS = 200  # of finding standby power and winding loss together; each takes off nine tenths of the error
_SETTLED = 1e-12  # of the largest power


@dataclass(frozen=True)
class Points:
    """Operating points of the run, each ``(k,)`` in SI; speeds positive, power before any loss is taken off."""

    voltage: np.ndarray
    current: np.ndarray
    power: np.ndarray
    speed: np.ndarray
    temperature: np.ndarray | None
    duty: np.ndarray | None
    current_q: np.ndarray | None
    time: np.ndarray | None

    def at(self, chosen: np.ndarray) -> Points:
        """Return the points of a boolean mask ``(k,)``."""
        return Points(*(None if v is None else v[chosen] for v in vars(self).values()))  # type: ignore[arg-type]

    def and_also(self, other: Points) -> Points:
        """Return these points with ``other`` behind them."""
        pairs = zip(vars(self).values(), vars(other).values(), strict=True)
        return Points(*(None if v is None else np.concatenate([v, w]) for v, w in pairs))  # type: ignore[arg-type]

    def effective(self) -> np.ndarray:
        """Return the voltage across the motor (V), on average over the switching."""
        return self.voltage if self.duty is None else self.voltage * self.duty


@dataclass(frozen=True)
class Choice:
    """Which readings are used for what: masks over the points of the run or over those at which it turns.

    ``rows`` are the steady stretches of a record in time (``None``: each row is a point), ``ordered`` says that the
    points follow in time without rests. The supply current is fitted over ``powers`` of the voltage from 1 on at the
    points ``full``, and read at rated voltage or at the highest of the run. ``cost`` is what the bridge adds at the
    points at which the rotor turns, ``held`` the standby power (W) with its half-width where the readings would make it
    negative, ``lacking`` says why outputs cannot be given.
    """

    rows: tuple[slice, ...] | None
    ordered: bool
    turning: np.ndarray
    standing: np.ndarray
    full: np.ndarray
    powers: int
    at_rated: bool
    cost: bridge_cost.Cost | None = None
    held: tuple[float, float] | None = None
    lacking: Mapping[str, str] = field(default_factory=dict)

    def of(self, points: Points) -> tuple[Points, Points]:
        """Return the points at which the rotor turns, and those at which it stands."""
        return points.at(self.turning), points.at(self.standing)


@dataclass(frozen=True)
class Machine:
    """Motor and drive at the points ``(k,)`` at which it turns.

    ``resistance`` in ohm, ``emf`` in V s/rad with the magnets at 20 degC, ``share`` that of it that is left at their
    temperature.
    """

    resistance: np.ndarray
    emf: float
    share: np.ndarray
    field_oriented: bool
    #: The resistance is a bound from the nameplate, not a measured one.
    bounded: bool = False


@dataclass(frozen=True)
class Balance:
    """The power balance: friction, and standby, winding loss (W) and torque (N m) ``(k,)`` where the rotor turns.

    ``left`` ``(m,)`` is the power less winding loss and known standby at the points ``used``, ``course`` that of a
    standby power that is fitted, ``rises`` whether it is fitted over voltage too.
    """

    fitted: Estimates
    standby: np.ndarray
    copper: np.ndarray
    torque: np.ndarray
    left: np.ndarray
    used: Points
    course: np.ndarray | None
    rises: bool

    def line(self) -> FrictionLine:
        """Return where the line stands: the same fit of the power that a unit of windage takes."""
        w = self.used.speed
        of_air = friction.no_load_balance(
            self.used.voltage, w, w**3, standby=self.course, standby_rises=self.rises
        ).values
        return FrictionLine(float(of_air[0]), float(of_air[1]), float(w.max()))


def machine(log: Log, given: Mapping[str, float], run: Points) -> tuple[Machine | None, str]:
    """Return motor and drive, or ``None`` and what is missing."""
    resistance, lacking = _winding_state.resistance(log, given, run.temperature, run.speed.size)
    bounded = resistance is None and FROM in log.conditions
    if bounded:
        resistance, lacking = _from_nameplate(given, run.speed.size)
    if resistance is None:
        return None, lacking
    share = magnets.emf_share(warmth(log, given, run).temperature, given["magnet_coefficient"])
    emf = given.get("emf_constant_dc")
    if emf is None:
        # Near enough for what the bridge adds: the current at no load takes little voltage.
        emf = float(np.median((run.effective() - 2 * resistance * run.current) / (run.speed * share)))
    return Machine(resistance, emf, share, _bridge_cost.field_oriented(log, given), bounded), ""


def unknown(log: Log, known: Collection[str]) -> str:
    """Return why ``machine`` will find none, told from names alone, "" if it will; ``known`` as for ``lacks``."""
    why = _winding_state.unknown(log, known)
    if not why or FROM not in log.conditions:
        return why
    current = {"nameplate_rated_current", "nameplate_rated_voltage"} & set(known)
    return "" if current and "nameplate_rated_power" in known else _NO_BOUND


def rated_current(given: Mapping[str, float]) -> float | None:
    """Return the rated current in A: stated, else rated power over rated voltage over 0.8 (common practice)."""
    power, voltage = given.get("nameplate_rated_power"), given.get("nameplate_rated_voltage")
    stated = given.get("nameplate_rated_current")
    return stated if stated is not None or not (power and voltage) else power / voltage / 0.8


def _from_nameplate(given: Mapping[str, float], count: int) -> tuple[np.ndarray | None, str]:
    """Return the phase resistance (ohm) that turns the assumed share of rated power to heat, or what is missing."""
    power, current = given.get("nameplate_rated_power"), rated_current(given)
    if power is None or current is None:
        return None, _NO_BOUND
    return np.full(count, 0.5 * given["rated_copper_share"] * power / current**2), ""


def bound_words(given: Mapping[str, float]) -> str:
    """Return in words what ``_from_nameplate`` makes the resistance of."""
    power, current = given["nameplate_rated_power"], rated_current(given)
    assert current is not None
    return f"winding resistance by rated power {value_text(power, 'W')} at {value_text(current, 'A')}"


def warmth(log: Log, given: Mapping[str, float], run: Points) -> _magnets.Magnets:
    """Return the temperature of the magnets at the points."""
    winding = run.temperature if run.temperature is not None else log.conditions.get("winding_temperature")
    return _magnets.magnets(log, given, winding, run.speed.size)


def motor_current(run: Points, standby: np.ndarray | float) -> np.ndarray:
    """Return the mean current of a six-step motor (A): the supply power less standby over the motor's voltage."""
    return (run.power - standby) / run.effective()


def winding_loss(run: Points, motor: Machine, standby: np.ndarray, added: bridge_cost.Added) -> np.ndarray:
    """Return the winding loss (W) at each point."""
    if run.current_q is not None:
        return friction.rotor_frame_winding_loss(motor.resistance, run.current_q)
    if motor.field_oriented:
        return friction.sine_winding_loss(motor.resistance, motor.emf * motor.share * run.speed, run.power - standby)
    return friction.six_step_winding_loss(motor.resistance, motor_current(run, standby)) + added.copper


def balance(
    run: Points, still: Points, motor: Machine, log: Log, given: Mapping[str, float], choice: Choice
) -> Balance:
    """Fit the power balance; the standby power is stated, held, or follows from the readings.

    Where it was read at one voltage only it may be anything from constant to proportional to the voltage. Raises
    ``FitError`` where standby and winding loss do not settle.
    """
    stated = choice.held[0] if choice.held else log.conditions.get("standby_power")
    used = run if stated is not None else run.and_also(replace(still, speed=np.zeros_like(still.speed)))
    rises = stated is None and still.speed.size > 1 and bool(np.ptp(still.voltage) > 0.1 * still.voltage.max())
    middle = float((still if still.speed.size and stated is None else run).voltage.mean())
    # A stated power is that of the run; one read at one voltage grows from there on.
    growth = given["standby_growth"] - (0.5 if stated is not None else 0.0)
    grown = 1.0 + (0.0 if rises else growth) * (used.voltage / middle - 1.0)
    added = _bridge_cost.added(choice.cost, given, run.speed.size)
    turning = np.arange(used.speed.size) < run.speed.size
    standby = np.zeros(run.speed.shape) if stated is None else stated * grown
    for _ in range(_ROUNDS):
        copper = winding_loss(run, motor, standby, added)
        left = used.power.copy()
        left[turning] -= copper + (0.0 if stated is None else standby)
        fitted = friction.no_load_balance(
            used.voltage,
            used.speed,
            left,
            standby=None if stated is not None else grown,
            standby_rises=rises,
            ordered=choice.ordered,
        )
        if stated is not None:
            break
        found = fitted.values[2] * grown[turning] + (fitted.values[3] * run.voltage if rises else 0.0)
        settled = float(np.max(np.abs(found - standby))) <= _SETTLED * float(np.max(np.abs(used.power)))
        standby = found
        if settled:
            break
    else:
        raise FitError("standby power and winding loss do not settle in this run; state 'standby_power'")
    course = None if stated is not None else grown
    return Balance(fitted, standby, copper, (run.power - copper - standby) / run.speed, left, used, course, rises)


def with_cost(log: Log, given: Mapping[str, float], points: Points, choice: Choice) -> Choice:
    """Return the choice with what the bridge adds, and with the standby power held where it would be negative."""
    run, still = choice.of(points)
    motor, lacking = machine(log, given, run)
    if motor is None:
        return replace(choice, lacking=dict.fromkeys((*FRICTION, "emf_constant_dc"), lacking))
    known = "standby_power" in log.conditions
    need = 3 if known or still.speed.size else 4
    if (count := distinct(run.speed)) < need:
        why = f"the run holds {count} distinct speed(s); run at {need} or more voltages spread over the range"
        standby = np.full(run.speed.shape, log.conditions.get("standby_power", 0.0))
        choice = replace(choice, lacking=dict.fromkeys(FRICTION, why))
        return replace(choice, cost=_cost(run, motor, standby, given))
    try:
        for _ in range(2):
            found = balance(run, still, motor, log, given, choice)
            if not known and choice.held is None and float(found.standby.min()) < 0:
                choice = replace(choice, held=_held(found))
                found = balance(run, still, motor, log, given, choice)
            choice = replace(choice, cost=_cost(run, motor, found.standby, given))
    except FitError as error:
        return replace(choice, lacking=dict.fromkeys((*FRICTION, "emf_constant_dc"), str(error)))
    return choice


def _held(found: Balance) -> tuple[float, float]:
    """Return the standby power (W) between none and what the readings allow at most, with its half-width."""
    most = float(found.standby.min() + 2 * np.sqrt(found.fitted.covariance[2, 2]))
    if most <= 0:
        raise FitError(
            "the power balance leaves less than no standby power for the controller; check the readings of current and "
            "voltage, the resistance, and whether the speed stood still at each point. Either state 'standby_power' as "
            "a condition of the test, or log a last row with the throttle off, the supply on and the rotor at rest"
        )
    return 0.5 * most, 0.5 * most


def _cost(run: Points, motor: Machine, standby: np.ndarray, given: Mapping[str, float]) -> bridge_cost.Cost | None:
    if motor.field_oriented:
        return None
    return _bridge_cost.solve(given, motor.resistance, motor.emf * motor.share, run.speed, motor_current(run, standby))


def keep_friction(found: Balance, run: Points, fit: Fit) -> None:
    """Keep the friction of a balance with its scatter."""
    fit.estimates("scatter of the power balance", FRICTION, found.fitted, (0, 1))
    used, name = found.used, "power balance over the supply voltage"
    regressors = {"speed": used.speed, "supply_voltage": used.voltage}
    time = used.time if run.time is not None else None
    rests = ("scatter of the power balance",)
    fit.left(name, "A", found.left / used.voltage, found.fitted, regressors, time, blocks=rests, bends=BENDS)


def keep_doubt(found: Balance, most: Balance, fit: Fit) -> None:
    """Keep what friction may be off by as the standby power goes from that held to the ``most`` it can be."""
    away = most.fitted.values[:2] - found.fitted.values[:2]
    slopes = {f"{name}/standby": float(by) for name, by in zip(FRICTION, away, strict=True)}
    fit.exact("friction over the standby power", **slopes)
    fit.block("standby power that is not negative", {"standby/doubt": 0.0}, 1.0 / 3.0, distribution="rectangular")


def behind(
    run: Points, motor: Machine, standby: np.ndarray, given: Mapping[str, float], choice: Choice
) -> tuple[np.ndarray, Estimates]:
    """Fit the voltage behind winding and commutation (V) ``(k,)`` over speed; returns that voltage and the fit."""
    added = _bridge_cost.added(choice.cost, given, run.speed.size)
    found = run.effective() - 2.0 * motor.resistance * motor_current(run, standby) - added.voltage
    # Over the speed by which cold magnets would give this EMF.
    design = np.column_stack([np.ones_like(run.speed), run.speed * motor.share])
    return found, linear_fit(design, found, ordered=choice.ordered)


def distinct(values: np.ndarray) -> int:
    """Return how many values differ by more than 3 % of the largest: repeated readings count once."""
    rising = np.sort(values)
    count, last = 0, -np.inf
    for value in rising:
        if value - last > 0.03 * rising[-1]:
            count, last = count + 1, value
    return count
