"""Many drawn units, their operating points solved side by side."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.simulation.independent import vehicle
from tests.simulation.independent.controller_session import ControllerSession, draw_habits
from tests.simulation.independent.logs import write_unit
from tests.simulation.independent.motor_session import Session
from tests.simulation.independent.operating import Request, Steady, steady


def sessions(units: int, seed: int) -> list[Session]:
    """Motor sessions IM-0000 and on; a session's draw depends on seed and number alone."""
    return [Session.drawn(f"IM-{k:04d}", seed * 1_000_003 + k) for k in range(units)]


def controller_session(session: Session, seed: int) -> ControllerSession:
    """Session of the controller that drives this motor, IC-0000 and on."""
    rng = np.random.default_rng((seed, 1))
    name = session.name.replace("IM", "IC")
    return ControllerSession(name, rng, session.controller, draw_habits(rng), session.motor, session.vehicle)


def write_units(out: Path, *, units: int, seed: int, together: int = 12, drives: int = 0) -> Iterator[str]:
    """Write motors under out/raw and all true values to out/truth.json, giving each name as it is written.

    The first `drives` motors come with their controller and with the drive that the two make.
    """
    raw = out / "raw"
    raw.mkdir(parents=True, exist_ok=True)
    truths: dict[str, object] = {}
    every = sessions(units, seed)
    for first in range(0, units, together):
        batch = every[first : first + together]
        owners: list[Session | ControllerSession] = list(batch)
        owners += [
            controller_session(session, seed * 1_000_003 + first + k)
            for k, session in enumerate(batch)
            if first + k < drives
        ]
        asked = [owner.requests() for owner in owners]
        for owner, found in zip(owners, _solved(asked), strict=True):
            truths[owner.name] = owner.write(raw, found)
            yield owner.name
        for owner in owners:
            if isinstance(owner, ControllerSession):
                motor = next(one for one in batch if one.motor is owner.motor)
                name = owner.name.replace("IC", "ID")
                truths[name] = _write_drive(raw, name, motor, owner)
                yield name
    (out / "truth.json").write_text(json.dumps(truths, indent=1), encoding="utf-8")


def _solved(asked: list[list[Request]]) -> Iterator[Steady]:
    found = steady([request for requests in asked for request in requests])
    place = 0
    for requests in asked:
        yield Steady(**{k: v[place : place + len(requests)] for k, v in vars(found).items()})
        place += len(requests)


def _write_drive(raw: Path, name: str, motor: Session, controller: ControllerSession) -> dict[str, object]:
    """The drive of two units, and its true values: the controller's own limits where they are below the pack's."""
    folder = raw / name
    folder.mkdir(parents=True, exist_ok=True)
    parts = {"motor": motor.name, "controller": controller.name, "phases": "ABC", "sensors": "ABC"}
    write_unit(
        folder / "unit.yaml",
        {
            "unit": name,
            "kind": "drive",
            "description": "drawn at random by the independent bench (invented)",
            "operator": "I. Bench (invented)",
            "tested_on": "2026-05-10",
            "parts": parts,
        },
    )
    limits = controller.habits
    limited = replace(
        motor.vehicle,
        supply_limit=min(motor.vehicle.supply_limit, limits.supply_limit),
        motor_limit=limits.phase_limit,
    )
    values = vehicle.truths(motor.motor, limited, motor.pack_points(), motor.bench.air)
    del values["pack_continuous_torque"]
    return {key: {**one, "at": [vehicle.COLD, vehicle.HOT]} for key, one in values.items()}
