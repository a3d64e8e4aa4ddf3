"""Write the demo's raw logs, and the truth behind them for the tests."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from tests.simulation.demo import RAW
from tests.simulation.demo.bench import Bench
from tests.simulation.demo.controllers import controllers, write_controller
from tests.simulation.demo.drives import drives, write_drive
from tests.simulation.demo.motors import motors, write_motor

ROOT = Path(__file__).parents[3]
SEED = 4


def write_demo(raw: Path) -> dict[str, dict[str, float]]:
    """Write all units under ``raw`` and return the truth per unit and quantity, in SI."""
    bench = Bench(SEED)
    truth = {motor.name: write_motor(motor, bench, raw) for motor in motors()}
    truth |= {one.name: write_controller(one, bench, raw) for one in controllers()}
    return truth | {one.name: write_drive(one, raw) for one in drives()}


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else RAW
    found = write_demo(target)
    truth_file = ROOT / "tests" / "data" / "demo-truth.json"
    truth_file.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    print(f"wrote {', '.join(found)} under {target}")
