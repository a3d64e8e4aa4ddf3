"""Open, search, sort and scroll a register of many invented units in a browser, and say how long it took.

``python -m tests.benchmarks.register_scale --units 10000`` prints a table. A wait is from the event to the second frame
drawn after it: what a person at the screen waits for.
"""

from __future__ import annotations

import argparse
import datetime
import shutil
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from selenium import webdriver

from rotorproof.decision.models import Results
from rotorproof.rendering.register import render_register
from rotorproof.rendering.register_view import Beside
from tests.entries import criterion, quantity_entry, results

_CONSTANTS = {
    "phase_resistance": (0.12, "ohm"),
    "emf_constant_dc": (1.34, "V s/rad"),
    "no_load_current": (0.5, "A"),
    "moment_of_inertia": (0.09, "kg m^2"),
    "coulomb_friction": (0.44, "N m"),
}
_FRAMES = "const done = arguments[arguments.length - 1]; const start = performance.now(); {act}; "
_FRAMES += "requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - start)))"


def season(count: int, revisions: int = 2) -> tuple[list[dict[str, Any]], dict[str, Results], dict[str, Any]]:
    """Return units, their results and their signed reports: ``count`` invented motors of four models over a year."""
    rng = np.random.default_rng(21)
    units: list[dict[str, Any]] = []
    found: dict[str, Results] = {}
    signed: dict[str, list[dict[str, Any]]] = {}
    for number in range(count):
        name = f"HM-{number:05d}"
        verdict = ("accepted", "accepted", "accepted", "rejected", "undecided")[number % 5]
        day = datetime.date(2026, 1, 3) + datetime.timedelta(days=number * 360 // count)
        entries = {}
        for quantity, (value, unit) in _CONSTANTS.items():
            measured = value * (1 + 0.01 * rng.normal())
            u = 0.002 * value
            entries[quantity] = quantity_entry(
                value=measured, unit=unit, standard_uncertainty=u, expanded_uncertainty=2 * u,
                interval=(measured - 2 * u, measured + 2 * u),
            )  # fmt: skip
        decision = {"accepted": "pass", "rejected": "fail"}.get(verdict, verdict)
        judged = [criterion(decision=decision, max=0.14)]
        found[name] = results(unit=name, verdict=verdict, quantities=entries, criteria=judged)
        units.append(
            {"unit": name, "kind": "motor", "model": f"HM-{number % 4}", "serial": f"{number:06d}", "tested_on": day,
             "operator": "R. Alder", "received_on": day.replace(day=1), "description": "36 V hub motor, front"}
        )  # fmt: skip
        signed[name] = [
            {"revision": r, "report": f"archive/{name}/r{r}/data/report.pdf", "verdict": verdict, "waived": [],
             "name": "R. Alder", "signed_at": day.isoformat(), "current": r == revisions}
            for r in range(1, revisions + 1)
        ]  # fmt: skip
    return units, found, signed


def write(folder: Path, count: int) -> Path:
    """Write the register of ``count`` invented units into a folder and return its page."""
    units, found, signed = season(count)
    render_register(
        units=units, results=found, fits={}, refused={}, signed=signed, folder=folder, beside=Beside()
    )  # fmt: skip
    return folder / "index.html"


def browser() -> webdriver.Chrome:
    """Return Chromium without a window, as the tests of the register use it."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome") or ""
    for argument in (
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--window-size=1500,900",
    ):
        options.add_argument(argument)
    return webdriver.Chrome(options, webdriver.ChromeService(shutil.which("chromedriver")))


def waits(driver: webdriver.Chrome, page: Path, times: int) -> dict[str, list[float]]:
    """Return waits in ms by what was done, each ``times`` times."""
    driver.set_script_timeout(60)
    found: dict[str, list[float]] = {}

    def act(what: str, script: str) -> None:
        wait = driver.execute_async_script(_FRAMES.replace("{act}", script))  # type: ignore[no-untyped-call]
        found.setdefault(what, []).append(float(wait))

    for _ in range(times):
        driver.get(page.as_uri())
        opened = driver.execute_async_script(  # type: ignore[no-untyped-call]
            "const done = arguments[0]; const now = () => done(performance.now());"
            "requestAnimationFrame(() => requestAnimationFrame(now))"
        )
        found.setdefault("open, to the second frame after all is there", []).append(float(opened))
        time.sleep(1.0)  # nobody types sooner
        search = "const s = document.getElementById('search'); s.value = '{}'; s.dispatchEvent(new Event('input'))"
        for text in ("h", "hm-000", "outside the limits", "004711", ""):
            act("search, a key", search.format(text))
        for column in (4, 2, 1, 0):
            act("sort by a column", f"document.querySelectorAll('thead button')[{column}].click()")
        for share in (0.1, 0.5, 0.9, 0.0):
            act("scroll by thousands of rows", f"scrollTo(0, {share} * document.body.scrollHeight)")
    return found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=10_000)
    parser.add_argument("--times", type=int, default=5)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        page = write(Path(folder), args.units)
        size, spent = page.stat().st_size / 1e6, time.process_time() - began
        print(f"{args.units} units, page of {size:.1f} MB, written in {spent:.0f} s")
        driver = browser()
        try:
            found = waits(driver, page, args.times)
        finally:
            driver.quit()
    print("| | shortest / ms | median / ms | longest / ms |\n|---|--:|--:|--:|")
    for what, each in found.items():
        print(f"| {what} | {min(each):.0f} | {statistics.median(each):.0f} | {max(each):.0f} |")


if __name__ == "__main__":
    main()
