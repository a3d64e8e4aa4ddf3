"""Current limits of a controller: the levels at which its currents stay while the load still rises."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..errors import FitError
from ..physics.plateau import Plateau, highest_mean, link_current, plateau, still_moving
from ..signs import number_text
from .base import Axis, Lack, Log, Panel, Procedure, Quantity, Report, Series, drawn
from .fit import Fit

PHASES = ("current_a", "current_b", "current_c")
#: What tells that the load rises, and which way it then goes.
_LOAD = {"torque": 1.0, "speed": -1.0}

_OF_SUPPLY = ("supply_current_limit", "supply_current_overshoot")
_NO_SUPPLY = "the log has no supply_current"
_FEW_PHASES = "the log has fewer than two phase currents; record two of the three"


class CurrentLimit(Procedure):
    """The motor loaded more and more at full throttle, until its currents rise no further."""

    name = "current-limit"
    title = "Current limits"
    purpose = "Find the supply current and the phase current at which the controller limits."
    unit_kinds = ("controller", "drive")
    required_columns = ("time", ("supply_current", *PHASES))
    optional_columns = ("torque", "speed", "supply_voltage")
    only_looked_at = ("torque", "speed", "supply_voltage")
    gives = ("supply_current_limit", "phase_current_limit", "supply_current_overshoot")
    # fmt: off
    quantities = (
        Quantity(
            "supply_current_limit", "Supply current limit", "I_DC,lim", "current", "A",
            "level at which the supply current stays within 4 % while the load rises further",
            "definition",
            key=9,
            remedy="set a lower limit where the controller allows it, else replace the controller",
            least=0.0,
        ),
        Quantity(
            "phase_current_limit", "Phase current limit", "I_ph,lim", "current", "A",
            "level at which the phase current stays while the load rises further: mean magnitude of the two phases "
            "that carry most (the amplitude of block-shaped currents)",
            "definition",
            least=0.0,
        ),
        Quantity(
            "supply_current_overshoot", "Supply current overshoot", "delta_I", "ratio", "percent",
            "highest mean of the supply current over a fortieth of the log, over its limit, less one",
            "definition",
            least=0.0,
        ),
    )
    # fmt: on
    not_covered = ("No recording of a real controller is compared; ramps are drawn or simulated.",)
    cautions = (
        "A motor near standstill at the current limit heats within seconds: keep each load short and watch its "
        "temperature.",
        "The brake and its anchor carry the full torque: check the lever arm's stop before you load.",
        "Fuse the supply above the expected limit: a controller without a working limit draws what the supply gives.",
    )
    minimum_rows = 60
    order = 60
    minutes = 20

    def lacks(self, logs: Sequence[Log], known: Collection[str]) -> Sequence[Lack]:
        """Return what the supply current or the phase currents would give where they are not logged."""
        (log,) = logs
        found = [] if "supply_current" in log else [Lack(_NO_SUPPLY, _OF_SUPPLY, "supply_current")]
        if sum(name in log for name in PHASES) < 2:
            found.append(Lack(_FEW_PHASES, ("phase_current_limit",)))
        return [Lack(f"{_NO_SUPPLY}; {_FEW_PHASES}")] if len(found) > 1 else found

    def choose(self, logs: Sequence[Log], given: Mapping[str, float]) -> int:
        """Return how many readings are over when torque and speed have moved for the last time; all without either.

        At the end of a ramp the rotor may stand and draw a steady supply current that no limit of the supply sets.
        """
        (log,) = logs
        return max((still_moving(log[name]) for name in _LOAD if name in log), default=log["time"].size)

    def estimate(self, logs: Sequence[Log], given: Mapping[str, float], choice: int) -> Fit:
        """Find the plateau of each current: of the supply's while the load moves, of the phases' at any time."""
        log, fit = logs[0], Fit()
        seen: dict[str, tuple[np.ndarray, Plateau]] = {}
        if "supply_current" in log:
            found = _limit("supply_current", log["supply_current"], lambda: _while_moving(log, choice), fit, seen)
            if found is None:
                fit.missing["supply_current_overshoot"] = "without a limit there is no overshoot"
            else:
                values, variance = {"supply_current_overshoot": found.overshoot}, found.overshoot_error**2
                fit.block("scatter of the highest mean", values, variance, found.degrees_of_freedom)
        else:
            fit.lacking(_OF_SUPPLY, _NO_SUPPLY)
        phases = [log[name] for name in PHASES if name in log]
        reason = _not_as_it_flows(phases) if len(phases) >= 2 else _FEW_PHASES
        if reason is None:
            link = link_current(*phase_currents(log))
            _limit("phase_current", link, lambda: plateau(link), fit, seen)
        else:
            fit.missing["phase_current_limit"] = reason
        if not seen:
            reasons = [f"{name}: {reason}" for name, reason in fit.missing.items() if name.endswith("_limit")]
            raise FitError("; ".join(reasons))
        fit.seen = seen
        return fit

    def report(self, logs: Sequence[Log], given: Mapping[str, float], choice: int, fit: Fit) -> Report:
        """Show each current with its limit, and warn where it may be none."""
        log, report = logs[0], Report()
        for name, (values, found) in fit.seen.items():
            title = name.replace("_", " ")
            report.notes.append(
                f"{title.capitalize()}: {int(found.inside.sum())} readings at the limit, drifting by "
                f"{number_text(found.slope * 100, '.1f')} % over them, overshot by "
                f"{number_text(found.overshoot * 100, '.1f')} %."
            )
            report.panels.append(_panel(name, log["time"], values, found))
            if name == "supply_current":
                if not any(column in log for column in _LOAD):
                    report.warn(
                        "neither torque nor speed was recorded, so nothing shows that the load still rose at this "
                        "level; record one"
                    )
            else:
                _name_the_kind(phase_currents(log), found, report)
        return report


def _limit(
    name: str,
    values: np.ndarray,
    find: Callable[[], Plateau],
    fit: Fit,
    seen: dict[str, tuple[np.ndarray, Plateau]],
) -> Plateau | None:
    try:
        found = find()
    except FitError as error:
        fit.missing[f"{name}_limit"] = str(error)
        return None
    title, variance = name.replace("_", " "), found.standard_error**2
    fit.block(f"scatter of the {title}", {f"{name}_limit": found.level}, variance, found.degrees_of_freedom)
    seen[name] = values, found
    return found


def _while_moving(log: Log, moving: int) -> Plateau:
    """Return the level of the supply current among its first ``moving`` readings, those while the load moves.

    What stays once the load stands is a steady state, whatever it is. Raises ``FitError`` where the current stays at
    no level before, or where neither torque nor speed, if logged, moves while it stays.
    """
    values = log["supply_current"]
    try:
        found = plateau(values[:moving])
    except FitError as error:
        if moving == values.size:
            raise
        start = number_text(float(log["time"][moving]), ".3g")
        raise FitError(
            f"from {start} s on neither torque nor speed moves, and a steady load is no limit; before that: {error}"
        ) from error
    inside = np.zeros(values.size, dtype=bool)
    inside[:moving] = found.inside
    moves = {name: _moves(log[name], sign, inside) for name, sign in _LOAD.items() if name in log}
    if moves and not any(moves.values()):
        raise FitError(
            f"the {' and the '.join(moves)} hardly changed while the current stayed at "
            f"{number_text(found.level, '.3g')} A: this may be a steady load rather than a limit; load the motor more"
        )
    return replace(found, inside=inside, overshoot=highest_mean(values) / found.level - 1)


def _moves(load: np.ndarray, sign: float, inside: np.ndarray) -> bool:
    """Tell whether a load rose by a twentieth of its range, ``sign`` times, over the readings ``inside``."""
    values = load[inside]
    tenth = max(1, values.size // 10)
    change = sign * float(np.mean(values[-tenth:]) - np.mean(values[:tenth]))
    return change >= 0.05 * float(np.ptp(load))


def phase_currents(log: Log) -> list[np.ndarray]:
    """Return the three phase currents, of which two are logged at least; without a neutral they add up to zero."""
    known = {name: log[name] for name in PHASES if name in log}
    rest = -np.sum(list(known.values()), axis=0)
    return [known.get(name, rest) for name in PHASES]


def _panel(name: str, time: np.ndarray, values: np.ndarray, found: Plateau) -> Panel:
    title = name.replace("_", " ").capitalize()
    keep = drawn(values.size)
    used, rest = keep[found.inside[keep]], keep[~found.inside[keep]]
    return Panel(
        name.replace("_", "-"),
        f"{title} at rising load",
        Axis("Time", "time", "s"),
        Axis(title, "current", "A"),
        [
            Series("at the limit", time[used], values[used]),
            Series("other readings", time[rest], values[rest], "left out"),
            Series("limit", time[[0, -1]], np.full(2, found.level), "fit"),
        ],
        "A limit shows as a flat top although the load still rises.",
    )


def _not_as_it_flows(phases: Sequence[np.ndarray]) -> str | None:
    """Return why phase readings ``(n,)`` cannot be currents at the moment of their row, ``None`` if they can.

    The currents into a motor without neutral add up to zero, so that one of them at least flows back.
    """
    largest = max(float(np.max(np.abs(values))) for values in phases)
    least = min(float(np.min(values)) for values in phases)
    off = float(np.sqrt(np.mean(np.sum(phases, axis=0) ** 2))) if len(phases) == 3 else 0.0
    if least < -0.05 * largest and off < 0.2 * largest:
        return None
    third = (
        "" if len(phases) == 3 else "; where a standing rotor led the current back through the third, record that too"
    )
    return (
        "the phase currents never flow back or do not add up to zero, as RMS readings or magnitudes would; whether "
        f"they are RMS or peak cannot be told from them: record the currents as they flow, with their sign{third}"
    )


def _name_the_kind(currents: Sequence[np.ndarray], found: Plateau, report: Report) -> None:
    """Say which kind of current the limit is; three sinusoids leave a third current where blocks leave none."""
    magnitudes = np.abs(np.stack(currents))[:, found.inside]
    third = float(magnitudes.min(axis=0).mean())
    pair = 0.5 * float((magnitudes.sum(axis=0) - magnitudes.min(axis=0)).mean())
    # 0.31 for sinusoids, (1 - cos 30 deg)/(pi/6) over 0.83; near 0 for blocks.
    if third < 0.2 * pair:
        report.notes.append(
            "The phase current limit is the amplitude of block-shaped currents: direct current for the motor."
        )
        return
    peak = float(np.sqrt(2.0 / 3.0 * np.mean(np.sum(magnitudes**2, axis=0))))
    report.warn(
        f"the phase currents at the limit are no blocks but near to sinusoids of {peak:.3g} A peak "
        f"({peak / 2**0.5:.3g} A RMS); the limit given is the mean of the two that carry most, 0.83 of that peak"
    )


PROCEDURE = CurrentLimit()
