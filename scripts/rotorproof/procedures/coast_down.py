"""Coast-down: inertia and friction from the speed of a rotor left to itself (retardation method)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import FitError, Problem
from ..physics import coasting
from ._unsplit import Fit, Procedure
from .base import Axis, Condition, Log, Need, Panel, Quantity, Series, Table
from .fit import Block

_MOST = 1500  # samples per record that the fit uses; longer records are averaged in blocks
_WINDAGE_Z = 2.6  # standard uncertainties by which the square term must differ from zero (99 %)
_SPEED = Axis("Speed", "speed", "rpm")
_TIME = Axis("Time", "time", "s")
_PAIRS = ("voltage_ab", "voltage_bc", "voltage_ca")


@dataclass(frozen=True)
class Record:
    """What the fit needs of one log: stretches of time (s) and speed (rad/s), and the inertia added (kg m^2)."""

    label: str
    times: list[np.ndarray]
    speeds: list[np.ndarray]
    added: float
    time: np.ndarray
    speed: np.ndarray
    parts: tuple[slice, ...]


@dataclass(frozen=True)
class CoastFit(Fit):
    """A fit with its choices, so that repeating it for uncertainty makes the same."""

    parts: tuple[tuple[slice, ...], ...] = ()
    windage: bool = False
    ratios: tuple[np.ndarray, ...] = ()


class CoastDown(Procedure):
    """The rotor is driven up, the power cut, and the speed logged until it stands."""

    name = "coast-down"
    title = "Coast-down"
    purpose = "Find friction and moment of inertia from how the rotor slows down by itself."
    unit_kinds = ("motor",)
    required_columns = ("time", ("speed", *_PAIRS))
    optional_columns = ("supply_current",)
    conditions = (
        Condition("moment_of_inertia", "moment_of_inertia", "inertia of everything that turns, if it is known"),
        Condition(
            "added_inertia",
            "moment_of_inertia",
            "known inertia fixed to the rotor in this log; with a second log without it the inertia is found",
        ),
    )
    needs = (
        Need("coulomb_friction", "with the torques of a no-load run the inertia follows from the coast-down"),
        Need("viscous_friction", "as coulomb_friction"),
        Need("pole_pairs", "speed from the back-EMF, where no speed is logged"),
    )
    gives = (
        "moment_of_inertia",
        "coulomb_friction",
        "viscous_friction",
        "windage",
        "coulomb_deceleration",
        "viscous_decay_rate",
    )
    quantities = (
        Quantity(
            "moment_of_inertia",
            "Moment of inertia",
            "J",
            "moment_of_inertia",
            "kg m^2",
            "moment of inertia of everything that turns with the rotor, wheel included where it was mounted",
            "retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
        ),
        Quantity(
            "windage",
            "Windage",
            "d",
            "windage",
            "N m s^2/rad^2",
            "air drag torque over the square of speed",
            "retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
        ),
        Quantity(
            "coulomb_deceleration",
            "Coulomb friction over inertia",
            "alpha",
            "angular_acceleration",
            "rad/s^2",
            "Coulomb friction with iron loss, over the moment of inertia: what a coast-down gives without any other "
            "knowledge",
            "equation of motion; retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
        ),
        Quantity(
            "viscous_decay_rate",
            "Viscous friction over inertia",
            "beta",
            "frequency",
            "1/s",
            "viscous friction with iron loss, over the moment of inertia",
            "equation of motion; retardation method, IEC 60034-2-2",
            preferred=("coast-down",),
        ),
    )
    not_covered = (
        "No coast-down of a real rotor with a certified moment of inertia is compared; independent simulators and "
        "closed forms stand in.",
        "Iron loss is part of the friction here, so no check speaks for bearings alone.",
    )
    cautions = (
        "The wheel keeps turning for a long time after the power is cut: do not reach in, and never stop it by hand.",
        "An added disc must be centred, bolted through and guarded before the rotor turns; find the speed it may take.",
        "Set the controller not to brake on release, or disconnect the three phase lines while the rotor turns freely "
        "only if the plug is made for it: an open plug carries the back-EMF.",
        "With a freewheel only the wheel coasts: lock it, or take the result for the wheel alone.",
    )
    minimum_rows = 20
    combines = True
    order = 45

    def fit(self, logs: Sequence[Log], given: Mapping[str, float], near: Fit | None = None) -> Fit:
        """Fit the equation of motion to the coasting part of each log and combine them."""
        before = near if isinstance(near, CoastFit) else None
        records = [
            _record(log, given, before.parts[i] if before else None, number=i + 1 if len(logs) > 1 else None)
            for i, log in enumerate(logs)
        ]
        guesses: Sequence[np.ndarray | None] = before.ratios if before else [None] * len(records)
        notes: list[str] = []
        missing: dict[str, str] = {}
        plain: list[coasting.Coasted] = []
        squared: list[coasting.Coasted] | None = None
        if before is None or not before.windage:
            plain = [_fit(r, False, g) for r, g in zip(records, guesses, strict=True)]
        if before is None or before.windage:
            squared = _try_windage(records, guesses, notes)
        windage = before.windage if before else squared is not None and _told_apart(squared, records, notes)
        fitted = squared if windage and squared is not None else plain
        if not windage and before is None:
            missing["windage"] = _windage_limit(squared, logs)
        warnings: list[Problem] = []
        blocks = _combined(fitted, records, logs, given, windage, notes, missing=missing, warnings=warnings)
        spread = max(f.residual_sd for f in fitted) * 60 / (2 * np.pi)
        notes.append(f"Residual standard deviation of the speed {spread:.3g} rpm; serial correlation is allowed for.")
        if given.get("nameplate_freewheel"):
            notes.append("The nameplate states a freewheel: the result holds for what turned with the wheel.")
        panels, tables = _shown(records, fitted)
        return CoastFit(
            blocks, panels, tables, notes, warnings, missing,
            parts=tuple(r.parts for r in records), windage=windage, ratios=tuple(f.values for f in fitted),
        )  # fmt: skip

    def derive(self, parameters: Mapping[str, float], given: Mapping[str, float]) -> dict[str, float]:
        """Return the fitted parameters under their public names; ratios from torques where these were fitted."""
        del given
        result = dict(parameters)
        inertia = result.get("moment_of_inertia")
        if inertia is not None and "coulomb_friction" in result:
            result["coulomb_deceleration"] = result["coulomb_friction"] / inertia
            result["viscous_decay_rate"] = result["viscous_friction"] / inertia
        return result


def _record(log: Log, given: Mapping[str, float], parts: tuple[slice, ...] | None, number: int | None) -> Record:
    if "speed" in log:
        time, speed = log["time"], np.abs(log["speed"])
        current = log.get("supply_current")
    else:
        pole_pairs = given.get("pole_pairs", given.get("nameplate_pole_pairs"))
        if pole_pairs is None:
            raise FitError(
                "the log holds a voltage instead of a speed, and the pole pairs are not known; state them on the "
                "nameplate or add an open-circuit test"
            )
        turns = [coasting.speed_from_crossings(log["time"], log[name], pole_pairs) for name in _PAIRS if name in log]
        time = np.concatenate([t for t, _ in turns])
        order = np.argsort(time, kind="stable")
        time, speed, current = time[order], np.concatenate([w for _, w in turns])[order], None
    if parts is None:
        powered = None if current is None else _powered(speed, current)
        parts = tuple(coasting.coasting_parts(speed, powered))
    times, speeds = [], []
    for part in parts:
        size = max(1, -(-(part.stop - part.start) // _MOST))
        times.append(_blocks(time[part], size))
        speeds.append(_blocks(speed[part], size))
    label = log.label if number is None else f"{log.label} {number}"
    return Record(label, times, speeds, log.conditions.get("added_inertia", 0.0), time, speed, parts)


def _powered(speed: np.ndarray, current: np.ndarray) -> np.ndarray | None:
    """Return where the supply still drives the rotor, as far as its current tells."""
    idle = float(np.percentile(current, 5))
    driven = float(np.median(current[speed >= 0.97 * speed.max()]))
    return current > 0.5 * (idle + driven) if driven > idle else None


def _blocks(values: np.ndarray, size: int) -> np.ndarray:
    return values if size == 1 else values[: values.size // size * size].reshape(-1, size).mean(axis=1)


def _fit(record: Record, windage: bool, near: np.ndarray | None) -> coasting.Coasted:
    return coasting.fit_coasting(record.times, record.speeds, windage=windage, near=near)


def _try_windage(
    records: Sequence[Record], guesses: Sequence[np.ndarray | None], notes: list[str]
) -> list[coasting.Coasted] | None:
    """Fit with the square term; ``None`` where the readings cannot carry it."""
    try:
        return [_fit(r, True, g) for r, g in zip(records, guesses, strict=True)]
    except FitError as error:
        notes.append(f"A term in the square of speed was tried and left out: {error}.")
        return None


def _told_apart(fitted: Sequence[coasting.Coasted], records: Sequence[Record], notes: list[str]) -> bool:
    from scipy.stats import norm, t

    z = sum(f.values[2] / np.sqrt(f.covariance[2, 2]) for f in fitted) / np.sqrt(len(fitted))
    # A slow error of the speed leaves few degrees of freedom, with which larger z come by chance.
    limit = float(t.isf(norm.sf(_WINDAGE_Z), sum(f.degrees_of_freedom for f in fitted)))
    shares = []
    for f, r in zip(fitted, records, strict=True):
        top = max(float(w.max()) for w in r.speeds)
        shares.append(f.values[2] * top**2 / float(np.polyval(f.values[::-1], top)))
    if z < -limit and min(shares) < -0.05:
        notes.append(
            "Friction rises less than in proportion to speed in this record; the straight line is its mean over the "
            "speeds of the run. A bearing that warms up, or a drive still switched on, looks like this."
        )
    return bool(z > limit and max(shares) > 0.01)


def _windage_limit(fitted: Sequence[coasting.Coasted] | None, logs: Sequence[Log]) -> str:
    advice = "coast down from a higher speed, more than once, or take friction at speed from the straight line"
    if fitted is None:
        return f"these readings cannot tell air drag from viscous friction; {advice}"
    delta, u = fitted[0].values[2], float(np.sqrt(fitted[0].covariance[2, 2]))
    inertia = logs[0].conditions.get("moment_of_inertia")
    limit = max(0.0, float(delta)) + 2 * u
    if inertia is not None:
        inertia += logs[0].conditions.get("added_inertia", 0.0)
        text = f"it is below {limit * inertia:.2g} N m s^2/rad^2"
    else:
        text = f"over the inertia it is below {limit:.2g} 1/rad"
    return f"these readings cannot tell air drag from viscous friction ({text}, 95 %); {advice}"


def _combined(
    fitted: Sequence[coasting.Coasted],
    records: Sequence[Record],
    logs: Sequence[Log],
    given: Mapping[str, float],
    windage: bool,
    notes: list[str],
    *,
    missing: dict[str, str],
    warnings: list[Problem],
) -> list[Block]:
    """Return the blocks of parameters: torques where the inertia can be known, ratios otherwise."""
    names = ("coulomb_friction", "viscous_friction", "windage")[: 3 if windage else 2]
    label = "scatter of the speed readings"
    added = [record.added for record in records]
    stated = {log.conditions["moment_of_inertia"] for log in logs if "moment_of_inertia" in log.conditions}
    if len(stated) > 1:
        raise FitError("the logs state different moments of inertia; state the rotor's own, the same in each")
    if stated:
        inertia = stated.pop()
        torques = coasting.pooled(fitted, [inertia + extra for extra in added])
        notes.append(f"Moment of inertia {inertia:.4g} kg m^2 as stated, not measured.")
        return [
            Block("stated inertia", {"moment_of_inertia": inertia}, np.zeros((1, 1)), np.inf),
            _block(label, names, torques, warnings),
        ]
    if np.ptp(added) > 0:
        torques = coasting.from_added_inertia(fitted, added)
        notes.append("Inertia from the coast-downs with and without the added inertia, friction the same in all.")
        return [_block(label, ("moment_of_inertia", *names), torques, warnings)]
    ratios = coasting.pooled(fitted, [1.0] * len(fitted))
    ratio_names = ("coulomb_deceleration", "viscous_decay_rate", "_windage_ratio")[: len(names)]
    c, b = given.get("coulomb_friction"), given.get("viscous_friction")
    if c is None or b is None:
        for name in ("moment_of_inertia", "coulomb_friction", "viscous_friction", "windage"):
            missing[name] = (
                "a single coast-down gives friction over inertia only; state 'moment_of_inertia', add a second log "
                "with "
                "a known 'added_inertia', or add a no-load test"
            )
        notes.append("Only ratios of friction to inertia could be fitted, since the inertia is not known.")
        return [_ratio_block(label, ratio_names[:2], ratios, warnings)]
    return _from_torque(ratios, float(c), float(b), records, label, notes, warnings)


def _from_torque(
    ratios: coasting.Torques,
    c: float,
    b: float,
    records: Sequence[Record],
    label: str,
    notes: list[str],
    warnings: list[Problem],
) -> list[Block]:
    """Return the inertia as the friction torque measured elsewhere over the deceleration seen here, at mid speed."""
    middle = 0.5 * max(float(w.max()) for r in records for w in r.speeds)
    powers = middle ** np.arange(ratios.values.size)
    slowing = float(ratios.values @ powers)
    torque = c + b * middle
    inertia = torque / slowing - records[0].added
    gradient = -torque / slowing**2 * powers
    transform = np.vstack([np.eye(ratios.values.size)[:2], gradient])
    names = ("coulomb_deceleration", "viscous_decay_rate", "moment_of_inertia")
    values = np.concatenate([ratios.values[:2], [inertia]])
    notes.append(
        f"Moment of inertia from the friction torque of the other tests, {torque:.4g} N m at "
        f"{middle * 60 / (2 * np.pi):.0f} rpm, over the deceleration seen here; both hold the iron loss."
    )
    whole = coasting.Torques(
        values, transform @ ratios.covariance @ transform.T, ratios.degrees_of_freedom, ratios.chi_squared
    )
    return [_block(label, names, whole, warnings)]


def _block(label: str, names: Sequence[str], torques: coasting.Torques, warnings: list[Problem]) -> Block:
    widening = _widening(torques, warnings)
    values = {name: float(v) for name, v in zip(names, torques.values, strict=True)}
    return Block(label, values, torques.covariance * widening, torques.degrees_of_freedom)


def _ratio_block(label: str, names: Sequence[str], ratios: coasting.Torques, warnings: list[Problem]) -> Block:
    k = len(names)
    cut = coasting.Torques(ratios.values[:k], ratios.covariance[:k, :k], ratios.degrees_of_freedom, ratios.chi_squared)
    return _block(label, names, cut, warnings)


def _widening(torques: coasting.Torques, warnings: list[Problem]) -> float:
    """Return the factor on the covariance for records that agree less than their own scatter allows (Birge)."""
    if torques.chi_squared > 9:
        warnings.append(
            Problem(
                f"the coast-downs disagree {np.sqrt(torques.chi_squared):.1f} times more than their scatter "
                "explains; the "
                "intervals are widened. Check that temperature, wheel and brake were the same",
                severity="warning",
                procedure="coast-down",
            )
        )
    return max(1.0, torques.chi_squared)


def _shown(records: Sequence[Record], fitted: Sequence[coasting.Coasted]) -> tuple[list[Panel], list[Table]]:
    series, residuals, rows = [], [], []
    for record, f in zip(records, fitted, strict=True):
        out = np.ones(record.time.size, bool)
        for part in record.parts:
            out[part] = False
        step = max(1, int(out.sum()) // 400)
        series.append(
            Series(f"{record.label}: left out", record.time[out][::step], record.speed[out][::step], "left out")
        )
        position = 0
        for number, (t, w, w0) in enumerate(zip(record.times, record.speeds, f.starts, strict=True)):
            delta = float(f.values[2]) if f.values.size > 2 else 0.0
            curve = coasting.speed_after(t - t[0], float(w0), float(f.values[0]), float(f.values[1]), delta)
            mark = f" ({number + 1})" if len(record.times) > 1 else ""
            thin = max(1, t.size // 400)
            series.append(Series(f"{record.label}{mark}", t[::thin], w[::thin]))
            series.append(Series(f"{record.label}{mark}: fit", t, curve, "fit"))
            residual = f.residuals[position : position + t.size]
            residuals.append(Series(f"{record.label}{mark}", t[::thin], residual[::thin]))
            position += t.size
            numbers = (float(t[0]), float(t[-1]), _rpm(w[0]), _rpm(w[-1]), record.added)
            rows.append([f"{record.label}{mark}", *(f"{v:.4g}" for v in numbers)])
    panel = Panel(
        "coast-down",
        "Speed after the power was cut",
        _TIME,
        _SPEED,
        series,
        "The coasting part and the solution of the equation of motion; the drive-up and the last turns, where the "
        "rotor "
        "sticks, are left out. A trend in the residuals means that friction changed during the run.",
        residuals=residuals,
        residual_axis=Axis("Residual", "speed", "rpm"),
    )
    table = Table(
        "Coasting parts used",
        ("record", "from / s", "to / s", "from / rpm", "to / rpm", "added inertia / kg m^2"),
        rows,
    )
    return [panel], [table]


def _rpm(speed: float) -> float:
    return float(speed) * 60 / (2 * np.pi)


PROCEDURE = CoastDown()
