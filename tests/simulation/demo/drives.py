"""The drives of the demo: one pair connected as it should be, one that does not fit in several ways."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class DemoDrive:
    """Two units of the demo put together, how they are connected, and what is truly so with them."""

    name: str
    motor: str
    controller: str
    connection: str
    remarks: str
    truth: dict[str, float]


def drives() -> list[DemoDrive]:
    """Return the drives of the demo."""
    return [
        DemoDrive(
            "AL-D1",
            "AL-M1",
            "AL-C1",
            "  phases: ACB\n  sensors: ACB\n",
            "the delivered motor with the sample controller",
            {
                "commutation_match": 1.0,
                "wires_to_move": 0.0,
                "sensor_spacing_mismatch": 0.0,
                "start_margin_nominal": 36.0 - 31.5,
                "overvoltage_margin": 44.5 - 42.0,
                "cutoff_margin": 29.8 - 30.0,
            },
        ),
        # Connected letter to letter: sixty degrees off. The controller cuts off too late and knows no overvoltage.
        DemoDrive(
            "AL-D2",
            "AL-M2",
            "AL-C2",
            "  phases: ABC\n  sensors: ABC\n",
            "the returned motor with the second-hand controller, letter to letter",
            {
                "commutation_match": 0.5,
                "wires_to_move": 4.0,
                "sensor_spacing_mismatch": 0.0,
                "cutoff_margin": 26.5 - 30.0,
            },
        ),
    ]


def write_drive(drive: DemoDrive, raw: Path) -> dict[str, float]:
    """Write a drive's folder, which holds no log of its own, and return its truth."""
    folder = raw / drive.name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "unit.yaml").write_text(
        "# yaml-language-server: $schema=../../config/schemas/unit.schema.json\n"
        "# Invented: no such drive was measured. Written by tests/simulation/demo.\n"
        f"unit: {drive.name}\n"
        "kind: drive\n"
        f"description: '36 V drive: {drive.remarks} (invented)'\n"
        "operator: R. Alder (invented)\n"
        "tested_on: 2026-05-10\n"
        "parts:\n"
        f"  motor: {drive.motor}\n"
        f"  controller: {drive.controller}\n"
        f"{drive.connection}"
        "acceptance: drive-36V\n",
        encoding="utf-8",
    )
    return drive.truth
