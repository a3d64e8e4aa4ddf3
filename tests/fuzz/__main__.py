"""Spoil inputs until the time is up: ``python -m tests.fuzz --hours 8``. Failures are kept in ``build/fuzz``."""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
import tempfile
import time
import warnings
from pathlib import Path

from . import seeds
from .classes import CLASSES, Draw
from .judging import Run, Tally, judged
from .warmth import warm

_FOLDER = seeds.ROOT / "build" / "fuzz"
#: Seconds that each class gets in turn.
_TURN = 10.0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--hours", type=float, default=0.25, help="how long (wall clock)")
    parser.add_argument("--seed", type=int, default=1, help="other seeds draw other inputs")
    parser.add_argument("--folder", type=Path, default=_FOLDER, help="where figures and failures are kept")
    parser.add_argument("--only", nargs="+", default=[], metavar="WORD", help="classes whose names hold one of these")
    options = parser.parse_args()
    warnings.simplefilter("ignore")  # what a library says of spoiled input is no news
    chosen = {n: draw for n, draw in CLASSES.items() if not options.only or any(word in n for word in options.only)}
    tallies = {name: Tally() for name in chosen}
    options.folder.mkdir(parents=True, exist_ok=True)
    warm()
    end = time.monotonic() + 3600 * options.hours
    turn = 0
    with tempfile.TemporaryDirectory(prefix="rotorproof-fuzz-") as scratch:
        while time.monotonic() < end:
            for name, draw in chosen.items():
                stop = min(end, time.monotonic() + _TURN)
                _turn(name, draw, f"{options.seed} {turn}", stop, Path(scratch), options.folder, tallies[name])
                _write(options.folder, tallies)
            turn += 1
    print(_write(options.folder, tallies))
    return 1 if any(tally.failures for tally in tallies.values()) else 0


def _turn(name: str, draw: Draw, seed: str, end: float, scratch: Path, folder: Path, tally: Tally) -> None:
    """Try inputs of a class until the time is over. Each is drawn from its own number, so it can be drawn again."""

    def drawn(number: int) -> tuple[bytes, Run]:
        return draw(random.Random(f"{seed} {name} {number}"), scratch)

    for number, wrong in judged(lambda k: drawn(k)[1], sys.maxsize, tally, go_on=lambda: time.monotonic() < end):
        if wrong:
            _keep(folder, name, drawn(number)[0], wrong, tally)


def _keep(folder: Path, name: str, content: bytes, wrong: str, tally: Tally) -> None:
    mark = hashlib.sha256(content).hexdigest()[:12]
    (folder / f"{mark}.input").write_bytes(content)
    (folder / f"{mark}.txt").write_text(f"{name}\n{wrong}", encoding="utf-8")
    tally.failures.append(mark)
    print(f"{name}: {mark}: {wrong.strip().splitlines()[-1][:160]}", flush=True)


def _write(folder: Path, tallies: dict[str, Tally]) -> str:
    lines = [
        "| inputs | tried | gave numbers | processor s | slowest, s | peak growth, MB | failures |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, t in tallies.items():
        row = (t.tried, t.used, f"{t.seconds:.0f}", f"{t.slowest:.1f}", f"{t.peak:.0f}", len(t.failures))
        lines.append(f"| {name} | {' | '.join(str(cell) for cell in row)} |")
    total = sum(t.tried for t in tallies.values())
    lines.append(f"\n{total} inputs, {sum(len(t.failures) for t in tallies.values())} failures.")
    text = "\n".join(lines) + "\n"
    (folder / "figures.md").write_text(text, encoding="utf-8")
    return text


if __name__ == "__main__":
    sys.exit(main())
