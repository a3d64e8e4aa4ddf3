"""Files as instruments and hands write them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, time, timedelta
from pathlib import Path

import numpy as np
import openpyxl
from numpy.typing import NDArray
from vcd import VCDWriter

from tests.simulation.gate_capture import Capture

Floats = NDArray[np.float64]
Row = list[float | str | time | None]


def comma(value: float, places: int) -> str:
    """A number with a decimal comma."""
    return f"{value:.{places}f}".replace(".", ",")


def meter_log(path: Path, start: datetime, step: float, values: Floats, unit: str, mode: str) -> None:
    """Log of a handheld multimeter: twelve lines about itself, then clock time, reading, unit; Windows-1252."""
    head = [
        "Logging multimeter (invented)",
        "Serial no.;KT-60211",
        "Firmware;1.07",
        f"Date;{start:%d.%m.%Y}",
        f"Start;{start:%H:%M:%S}",
        f"Interval;{step:.0f} s",
        f"Function;{mode}",
        "Range;auto",
        f"Samples;{len(values)}",
        f"Maximum;{comma(values.max(), 1)} {unit}",
        f"Minimum;{comma(values.min(), 1)} {unit}",
        "",
    ]
    rows = [f"{start + timedelta(seconds=step * k):%H:%M:%S};{comma(v, 1)};{unit};{mode}" for k, v in enumerate(values)]
    path.write_bytes("\r\n".join([*head, "Time;Reading;Unit;Mode", *rows, ""]).encode("cp1252"))


def scope_csv(path: Path, interval: float, first: Floats, second: Floats) -> None:
    """Two channels of an oscilloscope: names, then units in a row of their own; time from before the trigger."""
    time = interval * (np.arange(len(first)) - len(first) // 10)
    lines = [
        "Model,two-channel scope (invented)",
        f"Record Length,{len(first)}",
        f"Sample Interval,{interval:.6e}",
        "Probe,10X,10X",
        "TIME,CH1,CH2",
        "s,V,V",
        *(f"{t:.6e},{a:.4e},{b:.4e}" for t, a, b in zip(time, first, second, strict=True)),
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def typed(path: Path, names: Sequence[str], rows: Iterable[Sequence[float]], places: Sequence[int]) -> None:
    """A table typed in: semicolons, decimal comma."""
    lines = [";".join(names), *(";".join(comma(v, p) for v, p in zip(row, places, strict=True)) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def sheet(book: openpyxl.Workbook, name: str, title: Sequence[str], rows: Iterable[Row]) -> None:
    """A sheet of the bench book: some lines of words, a blank row, then the rows as they are given."""
    page = book.create_sheet(name)
    for line in title:
        page.append([line])
    page.append([])
    for row in rows:
        page.append(row)


def vcd(path: Path, capture: Capture, channels: dict[str, int]) -> None:
    """Transitions of some of a capture's channels, as a logic analyser saves them; the writer is pyvcd's."""
    names = list(capture.initial)
    wire_of = {at: wire for wire, at in enumerate(channels.values())}
    with path.open("w", encoding="ascii") as stream, VCDWriter(stream, timescale="1 ns", date="", version="a") as out:
        wires = [
            out.register_var("logic", name, "wire", size=1, init=capture.initial[names[at]])
            for name, at in channels.items()
        ]
        for tick, channel, level in capture.events.tolist():
            if channel in wire_of:
                out.change(wires[wire_of[channel]], round(tick / capture.sample_rate * 1e9), level)
        out.close(round(capture.samples / capture.sample_rate * 1e9))
