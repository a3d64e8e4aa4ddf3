"""What a load run's points give: torque over current, efficiency, losses, rated torque."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..errors import FitError
from ..physics import bridge_cost, friction, load_points, magnets
from ..physics.regression import Estimates, linear_fit
from . import _bridge_cost, _magnets, _winding_state
from ._friction_line import FrictionLine
from .base import Log, electrical_turns
from .fit import Fit

_LEFT_IN_TORQUE = 0.02
_SPLIT = ("coulomb_friction", "viscous_friction", "winding_loss", "friction_iron_loss", "additional_loss")


#: What torque over current shows of most motors beyond a straight line (common practice, no source), and beyond a bend.
_BENDS = (
    "iron that saturates, or friction that changes as the motor warms up, bends it so; a locked-rotor test tells more"
)
_BENDS_FURTHER = (
    "friction that changes as the motor warms up, or a bend of another shape than that of iron which saturates, does "
    "so; a locked-rotor test tells more"
)


@dataclass(frozen=True)
class Choice:
    """What stays while readings are shifted, masks over the points ``(n,)`` of the log.

    ``used``: the supply reading can be right; ``free``: the brake is off (``None``: not logged). ``best`` is the place
    of the point at which each efficiency and the split of losses are stated, ``noise`` the share of the noise that
    grows with speed, as told by all points.
    """

    used: np.ndarray
    free: np.ndarray | None
    best: Mapping[str, int]
    noise: float | None
    #: What a six-step bridge adds at the points ``solved`` ``(n,)``; ``None``: no such bridge, or not known.
    cost: bridge_cost.Cost | None = None
    solved: np.ndarray | None = None
    #: Points ``(n,)`` at which the bridge was to be solved and no steady state was found.
    failed: np.ndarray | None = None
    #: Why nothing of what the bridge adds is taken off; "" where it is, or where there is nothing to take off.
    uncorrected: str = ""
    #: Where torque bends over the current, what another shape of bend does to its slope at small current (N m/A).
    bend: float | None = None

    def unsolved(self, count: int) -> np.ndarray:
        """Return at which of ``count`` points the bridge could not be solved."""
        return np.zeros(count, bool) if self.failed is None else self.failed

    def added(self, given: Mapping[str, float], count: int) -> bridge_cost.Added:
        """Return what the bridge adds at all ``count`` points: nothing where it was not solved."""
        every = np.zeros((3, count))
        if self.cost is not None and self.solved is not None:
            found = _bridge_cost.added(self.cost, given, int(self.solved.sum()))
            every[:, self.solved] = found.voltage, found.copper, found.torque
        return bridge_cost.Added(*every)


@dataclass(frozen=True)
class Points:
    """The operating points ``(n,)`` in SI, positive: ``supply`` and ``phases`` are powers (``None``: not logged)."""

    speed: np.ndarray
    torque: np.ndarray
    supply: np.ndarray | None
    phases: np.ndarray | None

    @property
    def powers(self) -> dict[str, np.ndarray | None]:
        """Return the power that goes in, for each efficiency."""
        return {"efficiency_max": self.supply, "motor_efficiency_max": self.phases}

    @property
    def fed_by(self) -> str:
        """Return the efficiency whose losses are split; the power of the phases holds no loss of a controller."""
        return "efficiency_max" if self.phases is None else "motor_efficiency_max"


@dataclass(frozen=True)
class PerAmpere:
    """Torque over a motor's current ``(n,)``, called ``what``."""

    what: str
    current: np.ndarray
    torque: np.ndarray
    fitted: Estimates
    #: By how much torque per ampere falls at the highest current (N m/A).
    fall: float = 0.0

    def pull(self, current: np.ndarray) -> np.ndarray:
        """Return the torque (N m) that the fit gives a current ``(n,)``, friction left in."""
        most = float(np.max(np.abs(self.current)))
        return np.asarray((self.fitted.values[0] - self.fall * (current / most) ** 2) * current)


@dataclass(frozen=True)
class Split:
    """The losses of every point ``(n,)`` in W, and friction torque from those without brake, where ``free``."""

    power: np.ndarray
    copper: np.ndarray
    free: np.ndarray
    balance: np.ndarray
    friction: tuple[float, float]
    standby: float
    standby_unknown: bool
    line: FrictionLine


#: Share of the points above 100 % from which on the whole run is doubted (common practice, no source).
_SIZEABLE = 0.1
_POWER_COLUMNS = (("phase_power",), ("phase_power_a", "phase_power_b", "phase_power_c"), ("wattmeter_1", "wattmeter_2"))


def points(log: Log) -> Points:
    """Return the points of a log."""
    supply = None
    if "supply_voltage" in log and "supply_current" in log:
        supply = log["supply_voltage"] * log["supply_current"]
    speed, torque = (_forwards(log[name]) for name in ("speed", "torque"))
    return Points(speed, torque, supply, phase_power(log))


def logs_phase_power(log: Log) -> bool:
    """Tell by the names of its columns whether a log holds the power of the phases."""
    return any(all(name in log for name in names) for names in _POWER_COLUMNS)


def refuse_more_than_goes_in(log: Log) -> None:
    """Raise ``FitError`` where a sizeable share of the points gives more than it takes, beyond the stated errors."""
    over = more_than_goes_in(log)
    if over is not None and over.sum() >= max(2, _SIZEABLE * over.size):
        rows = ", ".join(str(row + 1) for row in np.flatnonzero(over)[:5]) + (", ..." if over.sum() > 5 else "")
        raise FitError(
            f"{over.sum()} of {over.size} points give more power at the shaft than goes in (efficiency above 100 %, "
            f"readings {rows}), so the others are not to be trusted either. Check the unit and zero of torque and "
            "speed, the lever arm, and whether all columns belong to the same points"
        )


def more_than_goes_in(log: Log) -> np.ndarray | None:
    """Return at which points ``(n,)`` the shaft gives more than goes in; ``None`` where no power is logged.

    Points below a tenth of the greatest power count as sound: there the offsets of the meters weigh. Elsewhere twice
    the stated standard uncertainty of both powers is allowed, and 2 % where none is stated.
    """
    at = points(log)
    power = at.powers[at.fed_by]
    if power is None or not float(power.max()) > 0:
        return None
    shaft = at.torque * at.speed
    variance = 0.0
    for name in ("torque", "speed", "supply_voltage", "supply_current", *sum(_POWER_COLUMNS, ())):
        if name in log.stated and name in log and np.any(log[name]):
            variance += (log.stated[name] / float(np.sqrt(np.mean(log[name] ** 2)))) ** 2
    allowed = 1.0 + max(2.0 * float(np.sqrt(variance)), 0.02)
    return np.asarray((power > 0.1 * power.max()) & (shaft > allowed * power))


def choose(log: Log, given: Mapping[str, float]) -> Choice:
    """Find the points that can be right, those without brake, and those at which results are stated."""
    at = points(log)
    if at.speed.max() == 0 or at.torque.max() == 0:
        raise FitError("speed or torque is zero throughout; log points with the brake on")
    used = np.ones(at.speed.size, bool)
    if at.supply is not None:
        used = ~load_points.suspect_supply(log["supply_voltage"], log["supply_current"])[0]
    brake = log.get("brake")
    best, noise = {"split": int(np.argmax(np.where(used, at.torque * at.speed, -1.0)))}, None
    for name, power in at.powers.items():
        try:
            surface = _surface(at, name, power, used)
        except FitError:
            continue
        if surface is None:
            continue
        rows = _rows(at, name, used)
        modelled, _ = surface.efficiency(at.speed, at.torque)
        loaded = rows & (at.torque > 0.05 * at.torque.max()) & (modelled < 1)
        best[name] = int(np.argmax(np.where(loaded, modelled, -1.0)))
        if name == at.fed_by:
            # The six or so points without brake cannot tell how their scatter grows with speed; all together can.
            level = _level(log, at)[rows]
            noise = load_points.torque_noise_share(at.speed[rows], level, surface.estimates.residuals)
    choice = _with_cost(log, given, at, Choice(used, None if brake is None else brake == 0, best, noise))
    found = _over_current(log, at, given, choice)
    if isinstance(found, str):
        return choice
    try:
        return replace(choice, bend=load_points.torque_bends(found.current, found.torque, found.speed))
    except FitError:  # the estimate says why
        return choice


def _with_cost(log: Log, given: Mapping[str, float], at: Points, choice: Choice) -> Choice:
    """Return the choice with what a six-step bridge adds where the motor's current is known."""
    current = motor_current(log, given, at)
    resistance, lacking = _winding_state.resistance(log, given, log.get("temperature_winding"), at.speed.size)
    if current is None or _bridge_cost.field_oriented(log, given):
        return choice
    if resistance is None or electrical_turns(given) is None:
        return replace(choice, uncorrected=lacking or _bridge_cost.NO_PAIRS)
    share = magnets.emf_share(warmth(log, given, at).temperature, given["magnet_coefficient"])
    turning = choice.used & (at.speed > 0.02 * at.speed.max()) & (current > 0)
    if not turning.any():
        raise FitError("at no point does the motor turn with current in it; check supply current and standby power")
    # Without an open-circuit test the voltage over speed is near enough for what the bridge adds.
    behind = log["supply_voltage"] * log.columns.get("duty", 1.0) - 2 * resistance * current
    emf = given.get("emf_constant_dc", float(np.median((behind / np.maximum(at.speed * share, 1e-9))[turning])))

    def at_rows(rows: np.ndarray) -> tuple[np.ndarray, ...]:
        return resistance[rows], emf * share[rows], at.speed[rows], current[rows]

    try:
        return replace(choice, cost=_bridge_cost.solve(given, *at_rows(turning)), solved=turning)
    except FitError as error:
        solved = turning.copy()
        solved[turning] = _bridge_cost.solvable(given, *at_rows(turning))
        if solved.sum() < 0.5 * turning.sum():
            return replace(choice, uncorrected=str(error))
    return replace(choice, cost=_bridge_cost.solve(given, *at_rows(solved)), solved=solved, failed=turning & ~solved)


def warmth(log: Log, given: Mapping[str, float], at: Points) -> _magnets.Magnets:
    """Return the temperature of the magnets at the points."""
    logged = log.get("temperature_winding")
    winding = logged if logged is not None else log.conditions.get("winding_temperature")
    return _magnets.magnets(log, given, winding, at.speed.size)


def standby(log: Log, given: Mapping[str, float]) -> np.ndarray | float:
    """Return the stated standby power (W) at the points: at their mean voltage, more or less at others."""
    stated = log.conditions.get("standby_power", 0.0)
    if "supply_voltage" not in log:
        return stated
    voltage = log["supply_voltage"]
    return stated * (1.0 + (given["standby_growth"] - 0.5) * (voltage / voltage.mean() - 1.0))


def motor_current(log: Log, given: Mapping[str, float], at: Points) -> np.ndarray | None:
    """Return the mean current of a motor on a six-step bridge (A), NaN where it had no voltage; ``None``: not known."""
    duty = log.get("duty")
    if at.supply is None or "current_q" in log or (duty is None and not load_points.is_line(at.speed, at.torque)):
        return None
    across = log["supply_voltage"] * (1.0 if duty is None else duty)
    return np.where(across > 0, (at.supply - standby(log, given)) / np.where(across > 0, across, 1.0), np.nan)


def _rows(at: Points, name: str, used: np.ndarray) -> np.ndarray:
    """Return which points' power is used for an efficiency: a suspect supply reading does not touch the phases."""
    return used if at.powers[name] is at.supply else np.ones(at.speed.size, bool)


def _surface(at: Points, name: str, power: np.ndarray | None, used: np.ndarray) -> load_points.LossSurface | None:
    if power is None:
        return None
    rows = _rows(at, name, used)
    return load_points.loss_surface(at.speed[rows], at.torque[rows], (power - at.torque * at.speed)[rows])


def _level(log: Log, at: Points) -> np.ndarray:
    """Return what a current reading's noise is in proportion to: the supply voltage."""
    return log["supply_voltage"] if at.phases is None else np.ones(at.speed.size)


def phase_power(log: Log) -> np.ndarray | None:
    """Return the total power of the phases ``(n,)`` in W: read as such, or the sum of three phases or two wattmeters.

    Two wattmeters in lines A and C, both against line B, add up to the total in any three-wire circuit (Blondel).
    """
    for names in _POWER_COLUMNS:
        if all(name in log for name in names):
            return np.sum([log[name] for name in names], axis=0)
    return None


def _forwards(readings: np.ndarray) -> np.ndarray:
    """Return readings ``(n,)`` turned so that most are positive; those near zero keep their noise of either sign."""
    return readings if float(np.sum(readings)) >= 0 else -readings


@dataclass(frozen=True)
class OverCurrent:
    """Torque ``(n,)`` over the motor's current, called ``what``; ``speed`` where it does not follow from the current.

    The current is that which magnets at 20 degC would turn into the same torque, without what the bridge adds.
    """

    quantity: str
    what: str
    current: np.ndarray
    torque: np.ndarray
    speed: np.ndarray | None
    speeds: np.ndarray


def _over_current(log: Log, at: Points, given: Mapping[str, float], choice: Choice) -> OverCurrent | str:
    """Return torque and the current that makes it, or why there is none to know ("" where none is logged)."""
    several = bool(np.ptp(at.speed) > 0.1 * at.speed.max()) and not load_points.is_line(at.speed, at.torque)
    current_q = log.get("current_q")
    share = magnets.emf_share(warmth(log, given, at).temperature, given["magnet_coefficient"])
    if current_q is not None:
        current = _forwards(current_q) * share
        return OverCurrent(
            "torque_constant_q", "q-axis current", current, at.torque, at.speed if several else None, at.speed
        )
    if _bridge_cost.field_oriented(log, given):
        return "the drive is field-oriented, so its DC current is not the motor's; log its q-axis current"
    if at.supply is None:
        return ""
    drawn = motor_current(log, given, at)
    if drawn is None:
        return (
            "the points spread over a grid of speeds, so a throttle was at work and the DC current is not the motor's; "
            "log 'duty', or one characteristic at full throttle"
        )
    rows = choice.used & np.isfinite(drawn) & ~choice.unsolved(at.speed.size)
    torque, speed = (at.torque - choice.added(given, at.speed.size).torque)[rows], at.speed[rows]
    current = drawn[rows] * share[rows]
    return OverCurrent("torque_constant", "DC current", current, torque, speed if several else None, speed)


def torque_per_ampere(log: Log, at: Points, given: Mapping[str, float], choice: Choice, fit: Fit) -> PerAmpere | None:
    """Fit torque over the motor's current: the q-axis current of a field-oriented drive, or the DC current.

    Where torque bends over it, the slope is that at small current.
    """
    if "current_q" in log:
        fit.missing["torque_constant"] = (
            "the log holds a q-axis current, so the drive is field-oriented and its DC current is not the motor's: see "
            "the torque constant per q-axis current"
        )
    found = _over_current(log, at, given, choice)
    if isinstance(found, str):
        if found:
            fit.missing["torque_constant"] = found
        return None
    current, torque, speed, what = found.current, found.torque, found.speeds, found.what
    fitted = load_points.torque_line(current, torque, found.speed, bend=None if choice.bend is None else 3)
    stood = warmth(log, given, at)
    stood.doubt(fit)
    if choice.uncorrected:
        label = "commutation and ripple, not taken off, in torque over current"
        fit.block(label, {"torque/ripple": 0.0}, _LEFT_IN_TORQUE**2 / 3.0, distribution="rectangular")
    label = f"scatter of torque over {what}"
    if choice.bend is not None:
        fit.block("shape of the bend of torque over current", {"torque/bend": 0.0}, choice.bend**2 / 3.0,
                  distribution="rectangular")  # fmt: skip
    if found.speed is not None or found.quantity == "torque_constant_q":
        fit.estimates(label, (found.quantity,), fitted, (0,))
    else:
        fit.estimates(label, ("characteristic/slope",), fitted, (0,))
        # Speed follows from current here: what part of friction falls with speed cannot be seen, only bounded.
        lean = float(linear_fit(np.column_stack([np.ones_like(current), current]), speed).values[1])
        most = max(float(fitted.values[1]), 0.0) / float(speed.max())
        fit.block(
            "share of friction that falls with speed, between none and all",
            {"characteristic/viscous": 0.5 * most},
            most**2 / 12.0,
            distribution="rectangular",
        )
        fit.exact("speed over current", **{"characteristic/lean": lean})
    regressors = {"current": current, "speed": speed}
    bends = _BENDS if choice.bend is None else _BENDS_FURTHER
    fit.left(f"torque over {what}", "N m", torque, fitted, regressors, blocks=(label,), bends=bends)
    fall = 0.0 if choice.bend is None else float(fitted.values[-1])
    if found.quantity == "torque_constant_q":
        return PerAmpere("Current, q axis", current, torque, fitted, fall)
    return PerAmpere("DC current over duty" if "duty" in log else "Supply current", current, torque, fitted, fall)


def efficiency(at: Points, name: str, title: str, choice: Choice, fit: Fit) -> load_points.LossSurface | None:
    """Smooth the losses over all points and give the efficiency at the best of them."""
    power = at.powers[name]
    try:
        surface = _surface(at, name, power, choice.used)
    except FitError as error:
        fit.missing[name] = str(error)
        return None
    if surface is None or power is None:
        return None
    k = choice.best[name]
    _loss_at(f"scatter of the losses, {title}", f"{name}/loss", surface, at, k, fit)
    fit.exact("shaft power", **{f"{name}/shaft": float(at.torque[k] * at.speed[k])})
    rows = _rows(at, name, choice.used)
    regressors = {"speed": at.speed[rows], "torque": at.torque[rows]}
    losses, rests = (
        (power - at.torque * at.speed)[rows],
        (f"scatter of the losses, {title}", "scatter of the total loss"),
    )
    fit.left(f"losses, {title}", "W", losses, surface.estimates, regressors, blocks=rests)
    return surface


def _loss_at(label: str, name: str, surface: load_points.LossSurface, at: Points, k: int, fit: Fit) -> None:
    """Keep the loss at point ``k``, smoothed over all points, so that one point's noise is not taken for a loss."""
    loss, u = surface.loss(at.speed[k : k + 1], at.torque[k : k + 1])
    fit.block(label, {name: float(loss[0])}, float(u[0]) ** 2, surface.estimates.degrees_of_freedom)


def split(
    log: Log, given: Mapping[str, float], at: Points, surface: load_points.LossSurface | None, choice: Choice, fit: Fit
) -> Split | None:
    """Fit friction and iron loss to the points without brake and split the losses at the point of highest power.

    ``surface`` holds the losses of ``at.fed_by``.
    """
    inverter = at.phases is None
    power = at.powers[at.fed_by]
    if power is None or choice.free is None or surface is None or choice.noise is None:
        return None
    free = choice.free & choice.used & (at.speed > 0) & ~choice.unsolved(at.speed.size)
    if free.sum() < 5 or np.ptp(at.speed[free]) < 0.3 * at.speed[free].max():
        fit.lacking(_SPLIT, "too few points without brake (column 'brake' at 0) at different speeds; log five or more")
        return None
    resistance, lacking = _winding_state.resistance(log, given, log.get("temperature_winding"), at.speed.size)
    copper = None if resistance is None else _winding_loss(log, given, at, resistance, choice)
    if copper is None:
        fit.lacking(
            _SPLIT, lacking or "the current in the winding is not known; log current_q, or duty with the supply current"
        )
        return None
    stated = log.conditions.get("standby_power")
    unknown = inverter and stated is None
    taken = standby(log, given) if inverter and stated is not None else 0.0
    balance = power - copper - at.torque * at.speed - taken
    level = _level(log, at)[free]
    size = load_points.power_noise(at.speed[free], level, choice.noise)
    course = _course(log, given) if unknown else None
    fitted = friction.no_load_balance(
        level, at.speed[free], balance[free], standby=None if course is None else course[free], noise=size
    )
    regressors = {"speed": at.speed[free], "supply_voltage": level}
    over_noise, rests = balance[free] / size, ("scatter of the points without brake",)
    fit.left("power of the points without brake over its noise", "W", over_noise, fitted, regressors, blocks=rests)
    c, b = (float(v) for v in fitted.values[:2])
    k = choice.best["split"]
    w = float(at.speed[k])
    course_at_k = 1.0 if course is None else float(course[k])
    terms = np.zeros((4 if unknown else 3, fitted.values.size))
    terms[0, 0] = terms[1, 1] = 1.0
    terms[2, :2] = w, w**2
    values = {"coulomb_friction": c, "viscous_friction": b, "friction_iron_loss": c * w + b * w**2}
    watts = float(np.broadcast_to(taken, at.speed.shape)[k])
    if unknown:
        terms[3, 2] = course_at_k
        watts = values["standby/loss"] = float(fitted.values[2]) * course_at_k
    else:
        fit.exact("standby power", **{"standby/loss": watts})
    covariance = terms @ fitted.covariance @ terms.T
    fit.block("scatter of the points without brake", values, covariance, fitted.degrees_of_freedom)
    if choice.uncorrected:
        _bridge_cost.left_in_friction(fit)
    _loss_at("scatter of the total loss", "total/loss", surface, at, k, fit)
    _winding_at(at, copper, k, choice.used, fit)
    w = at.speed[free]
    of_air = friction.no_load_balance(
        level, w, w**3, standby=None if course is None else course[free], noise=size
    ).values
    line = FrictionLine(float(of_air[0]), float(of_air[1]), float(w.max()))
    return Split(power, copper, free, balance, (c, b), watts, unknown, line)


def _course(log: Log, given: Mapping[str, float]) -> np.ndarray:
    """Return the course ``(n,)`` of a standby power that is not known, over its value at the mean voltage."""
    voltage = log["supply_voltage"]
    return np.asarray(1.0 + given["standby_growth"] * (voltage / voltage.mean() - 1.0))


def _winding_loss(
    log: Log, given: Mapping[str, float], at: Points, resistance: np.ndarray, choice: Choice
) -> np.ndarray | None:
    """Return the winding loss (W) at each point; ``None`` where the motor's current is not known."""
    current_q, current_d = log.get("current_q"), log.get("current_d")
    if current_q is not None:
        return friction.rotor_frame_winding_loss(resistance, current_q, 0.0 if current_d is None else current_d)
    if _bridge_cost.field_oriented(log, given):
        if "emf_constant_dc" not in given or at.supply is None:
            return None
        share = magnets.emf_share(warmth(log, given, at).temperature, given["magnet_coefficient"])
        power = at.supply - standby(log, given) if at.phases is None else at.phases
        return friction.sine_winding_loss(resistance, given["emf_constant_dc"] * share * at.speed, power)
    current = motor_current(log, given, at)
    if current is None:
        return None
    return friction.six_step_winding_loss(resistance, current) + choice.added(given, at.speed.size).copper


def _winding_at(at: Points, copper: np.ndarray, k: int, used: np.ndarray, fit: Fit) -> None:
    """Keep the winding loss at point ``k``; the current's scatter is that about its plane over torque and speed."""
    columns = [np.ones_like(at.speed), at.torque]
    if not load_points.is_line(at.speed, at.torque):
        columns.append(at.speed)
    # The square root of the loss is the current, but for a constant.
    fitted = linear_fit(np.column_stack(columns)[used], np.sqrt(copper[used]))
    variance = 4.0 * float(copper[k]) * fitted.residual_sd**2
    freedom = fitted.degrees_of_freedom
    fit.block("scatter of the winding's current", {"winding_loss": float(copper[k])}, variance, freedom)


#: Why there is no torque at rated power.
NO_RATED_POWER = "the nameplate states no rated power; add 'rated_power' to the unit file"


def rated(at: Points, given: Mapping[str, float], fit: Fit) -> tuple[float, float] | None:
    """Find the torque at rated power on the characteristic; returns power (W) and speed (rad/s) there."""
    power = given.get("nameplate_rated_power")
    if power is None:
        fit.missing["rated_torque"] = NO_RATED_POWER
        return None
    if not load_points.is_line(at.speed, at.torque):
        fit.missing["rated_torque"] = (
            "the points spread over a grid of speeds; torque at rated power is read from one characteristic at full "
            "throttle and fixed supply voltage: log that as a load test of its own"
        )
        return None
    shaft = at.torque * at.speed
    if shaft.max() < power:
        fit.missing["rated_torque"] = (
            f"the unit was loaded to {shaft.max():.0f} W only, below its rated {power:.0f} W; load it further"
        )
        return None
    # Speed is nearly a straight line over torque; torque at rated power then solves T w(T) = P.
    scale = float(at.torque.max())
    order = 3 if at.torque.size >= 7 else 2
    y = at.torque / scale
    fitted = linear_fit(np.column_stack([y**k for k in range(order)]), at.speed)
    rests = ("scatter of speed over torque",)
    fit.left("speed over torque", "rad/s", at.speed, fitted, {"torque": at.torque}, blocks=rests)
    rising = at.torque <= at.torque[int(np.argmax(shaft))]
    torque = float(at.torque[int(np.argmin(np.where(rising, np.abs(shaft - power), np.inf)))])
    for _ in range(50):
        speed = float(np.polyval(fitted.values[::-1], torque / scale))
        slope = float(np.polyval(np.polyder(fitted.values[::-1]), torque / scale)) / scale
        step = (torque * speed - power) / (speed + torque * slope)
        torque -= step
        if abs(step) < 1e-12 * scale:
            break
    # dT = -T dw / (w + T dw/dT), with dw from the coefficients.
    gradient = -torque * (torque / scale) ** np.arange(order) / (speed + torque * slope)
    variance = float(gradient @ fitted.covariance @ gradient)
    fit.block("scatter of speed over torque", {"rated_torque": torque}, variance, fitted.degrees_of_freedom)
    return power, speed
