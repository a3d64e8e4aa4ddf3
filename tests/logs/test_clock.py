"""Clock times as instruments and spreadsheets write them, against pandas' own reading of the same moments.

Files are written by ``csv``, pandas and openpyxl. Local forms are common practice; ISO 8601 forms from memory.
"""

from __future__ import annotations

import csv
import datetime
import math

import numpy as np
import openpyxl
import pandas as pd
import pytest

from rotorproof.errors import InputError
from rotorproof.logs import limits
from rotorproof.logs.capture import read_reduced
from rotorproof.logs.clock import Clock, seconds
from rotorproof.logs.table import open_log, read_table
from rotorproof.procedures import procedures
from rotorproof.settings.layout import BUILTIN, Layout, LayoutColumn
from rotorproof.uncertainty.stamps import PLACES, StampError

from ..errors.bench import Bench, process

WANTED = ("time", "voltage_ab", "speed")
#: Irregular moments that pass midnight and the end of a month.
MOMENTS = pd.Timestamp("2026-11-30 23:58:59.25") + pd.to_timedelta([0, 1.5, 7.25, 40.5, 61.0, 95.75, 200.0], unit="s")
SINCE = np.asarray((MOMENTS - MOMENTS[0]).total_seconds())
SPEED = np.arange(7) * 10.0


def read(path, layout=None):
    return read_table(path, layout or Layout(), WANTED, shown="U/log", time_ordered=True, minimum_rows=2)


def refused(path, layout=None):
    with pytest.raises(InputError) as caught:
        read(path, layout)
    return caught.value.problems


def write(path, head, rows, delimiter=","):
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, delimiter=delimiter)
        writer.writerows([*head, *rows])
    return path


def clock_layout(**more):
    speed = LayoutColumn(column="n", unit="rpm")
    return Layout(columns={"time": LayoutColumn(column="Time", unit="clock", **more), "speed": speed})


FORMS = {
    "of the day": ("%H:%M:%S.%f", 0.01),
    "decimal comma": ("%H:%M:%S,%f", 0.01),
    "ISO 8601": ("%Y-%m-%dT%H:%M:%S.%f", 0.01),
    "ISO 8601 with a blank": ("%Y-%m-%d %H:%M:%S.%f", 0.01),
    "ISO 8601, universal time": ("%Y-%m-%dT%H:%M:%S.%fZ", 0.01),
    "ISO 8601 with a zone": ("%Y-%m-%dT%H:%M:%S.%f+05:30", 0.01),
    "ISO 8601 without marks": ("%Y%m%dT%H%M%S.%f", 0.01),
    "day first with points": ("%d.%m.%Y %H:%M:%S.%f", 0.01),
    "day first with points, short year": ("%d.%m.%y %H:%M:%S.%f", 0.01),
    "twelve hours": ("%I:%M:%S.%f %p", 0.01),
    "month first, twelve hours": ("%m/%d/%Y %I:%M:%S.%f %p", 0.01),
    "day first with slashes": ("%d/%m/%Y %H:%M:%S.%f", 0.01),
    "a month by its name": ("%d-%b-%Y %H:%M:%S.%f", 0.01),
    "an American date in words": ("%b %d, %Y %H:%M:%S.%f", 0.01),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_is_read_as_seconds(tmp_path, form):
    pattern, step = FORMS[form]
    frame = pd.DataFrame({"time": MOMENTS.strftime(pattern), "speed [rpm]": SPEED})
    frame.to_csv(tmp_path / "a.csv", index=False)
    found = read(tmp_path / "a.csv")
    np.testing.assert_allclose(found.columns["time"], SINCE, atol=1e-6)
    assert found.time_resolution == pytest.approx(step)
    (note,) = found.notes
    assert note.severity == "warning"
    assert "there counts ± 0.005 s as an error" in note.message
    assert ("midnight passed" in note.message) == ("%d" not in pattern)


def test_a_header_may_name_seconds_or_a_clock_or_nothing(tmp_path):
    for header in ("time", "time [s]", "time [clock]"):
        path = write(tmp_path / "a.csv", [[header, "speed [rpm]"]], [["9:12:04 AM", 5], ["9:12:06 AM", 6]])
        assert read(path).columns["time"].tolist() == [0.0, 2.0]


def test_zones_that_change_are_minded(tmp_path):
    rows = [["2026-10-25T02:59:59+02:00", 1], ["2026-10-25T02:00:01+01:00", 2], ["2026-10-25T01:00:04Z", 3]]
    path = write(tmp_path / "a.csv", [["time", "speed [rpm]"]], rows)
    assert read(path).columns["time"].tolist() == [0.0, 2.0, 5.0]


def test_twelve_lines_above_semicolons_and_commas(tmp_path):
    head = [[f"Key {k}", f"value {k}"] for k in range(12)]
    rows = [
        [t.strftime("%d.%m.%Y"), t.strftime("%H:%M:%S,%f")[:-3], f"{n:g},5"]
        for t, n in zip(MOMENTS, SPEED, strict=True)
    ]
    path = write(tmp_path / "a.csv", [*head, ["Date", "Time", "n"]], rows, ";")
    layout = clock_layout(date="Date").model_copy(update={"delimiter": ";", "decimal": ",", "skip_rows": 12})
    found = read(path, layout)
    np.testing.assert_allclose(found.columns["time"], SINCE, atol=1e-6)
    np.testing.assert_allclose(found.columns["speed"], (SPEED + 0.5) * 2 * np.pi / 60)


def test_a_plain_table_may_hold_the_date_apart(tmp_path):
    rows = [[t.strftime("%d.%m.%Y"), t.strftime("%H:%M:%S.%f"), n] for t, n in zip(MOMENTS, SPEED, strict=True)]
    path = write(tmp_path / "a.csv", [["date", "time", "speed [rpm]"]], rows)
    np.testing.assert_allclose(read(path).columns["time"], SINCE, atol=1e-6)
    path = write(tmp_path / "b.csv", [["date", "time", "speed [rpm]"]], rows, ";")
    np.testing.assert_allclose(read(path, BUILTIN["auto"]).columns["time"], SINCE, atol=1e-6)


def test_lines_and_pieces(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "BLOCK_BYTES", 200)
    start = datetime.datetime(2026, 11, 28, 23, 0)
    rows = [[(start + datetime.timedelta(seconds=7 * k)).strftime("%H:%M:%S"), k] for k in range(1000)]
    path = write(tmp_path / "a.csv", [["# x"], ["time", "speed [rpm]"]], rows)
    np.testing.assert_allclose(read(path).columns["time"], 7.0 * np.arange(1000))
    path.write_text(path.read_text().replace("23:30:06,258", "23:30:6x,258").replace("23:45:02,386", ",386"))
    (problem,) = refused(path)
    assert (problem.line, problem.column) == (261, "time")
    assert "'23:30:6x' is no clock time" in problem.message
    assert "(and 1 more stamps cannot be read)" in problem.message
    # A row that cannot be used is still named by its own line.
    path = write(tmp_path / "b.csv", [["time", "speed [rpm]"]], [*rows[:500], ["00:10:00", "x"], *rows[600:]])
    (problem,) = refused(path)
    assert (problem.line, problem.column) == (502, "speed")


def test_readings_that_share_a_stamp_are_spread_over_it(tmp_path):
    # At no even pace: a stretch of three seconds is lost.
    true = np.delete(np.arange(0.0, 20.0, 0.4), np.arange(20, 28))
    stamps = [(datetime.datetime(2026, 5, 2, 9, 0) + datetime.timedelta(seconds=math.floor(t + 0.7))) for t in true]
    rows = [[stamp.strftime("%H:%M:%S"), 5] for stamp in stamps]
    found = read(write(tmp_path / "a.csv", [["time", "speed [rpm]"]], rows))
    error = found.columns["time"] - true
    assert np.ptp(error) <= 1.0
    assert found.time_resolution == 1.0
    assert "up to 3 readings carry the same stamp" in found.notes[0].message


@pytest.mark.parametrize("pace", [0.3, 0.77, 1.0, 1.013, 1.03, 1.06, 2.37, 5.0])
def test_an_even_pace_tells_more_than_a_stamp(pace):
    """Of readings that come evenly the duration is known to what is stated, from every phase and with late readings."""
    draw = np.random.default_rng(4)
    true = pace * np.arange(40)
    for begin in np.linspace(0.0, 0.95, 20):
        late = draw.uniform(0.0, 0.05, true.size)
        moments = [
            datetime.datetime(2026, 5, 2, 9) + datetime.timedelta(seconds=s) for s in np.floor(begin + true + late)
        ]
        time, told = seconds([f"{moment:%H:%M:%S}" for moment in moments], Clock())
        assert told.period == pytest.approx(pace, rel=0.05)
        # Rectangles of two ends, each as wide as is said: together as much as the pace is open.
        assert abs(time[-1] - true[-1]) <= told.width
        assert np.ptp(time - true) < 1.1
        # Next to the clock's own pace little is won; far from it the step counts for some half of it.
        assert told.width < (2.0 if abs(pace - round(pace)) < 0.05 else 0.65) * told.resolution


def test_irregular_readings_have_no_pace():
    draw = np.random.default_rng(5)
    for _ in range(20):
        true = np.cumsum(draw.uniform(0.5, 3.0, 40))
        moments = [datetime.datetime(2026, 5, 2, 9) + datetime.timedelta(seconds=s) for s in np.floor(true)]
        time, told = seconds([f"{moment:%H:%M:%S}" for moment in moments], Clock())
        assert (told.period, told.width) == (0.0, 1.0)
        assert np.ptp(time - true) <= 1.0


@pytest.mark.parametrize(
    ("stamps", "line", "words"),
    [
        (
            ["09:12:04", "09:12:06", "09:12:03", "09:12:09", "09:12:08"],
            4,
            "backwards, from '09:12:06' to '09:12:03'; there",
        ),
        (["09:12:04", "07:12:06", "07:12:07"], 3, "keep one recording"),
        (["02:59:59", "02:00:01", "02:00:04"], 3, "if summer time ended"),
        (["12:59:59", "1:00:01", "1:00:04"], 3, "counts to twelve"),
        (["09:12:04", "09:12:04", "09:12:04"], 3, "stands still"),
        (["09:12:04", "2.5", "3"], 3, "'2.5' is no clock time or date that can be read"),
        (["09:12:04", "", "09:12:06"], 3, "the cell is empty"),
        (["09:12:04", "09:61:06", "09:62:06"], 3, "end at 59 (and 1 more"),
        (["09:12", "09:13", "09:14"], 2, "may be hours and minutes or minutes and seconds"),
        (["2026-11-28", "2026-11-29", "2026-11-30"], 2, "has no time of day"),
        (["2026-11-28 25:00:00", "2026-11-28 25:00:01"], 2, "no such hour"),
        (["13:00:00 PM", "13:00:01 PM"], 2, "no such hour"),
        (["2026-11-28 09:12:04", "09:12:05"], 3, "has no date, unlike the first"),
        (["2026-11-28 09:12:04", "2026-13-28 09:12:05"], 3, "is no clock time or date"),
        (["28.11.2026 09:12:04", "2026-11-28 09:12:05"], 3, "in another order than"),
        (["01/12/2026 23:59:59", "02/12/2026 00:00:01"], 3, "reads in two ways"),
        (["9:12:04" + " " * 900 + "x", "9:12:05"], 2, "is no clock time"),
    ],
)
def test_one_line_names_what_is_wrong(tmp_path, stamps, line, words):
    (problem,) = refused(write(tmp_path / "a.csv", [["time", "speed [rpm]"]], [[s, 5] for s in stamps]))
    assert (problem.line, problem.column) == (line, "time")
    assert words in problem.message
    assert len(problem.message) < 400


def test_a_thousand_wrong_stamps_are_one_line(tmp_path):
    (problem,) = refused(write(tmp_path / "a.csv", [["time", "speed [rpm]"]], [["9:12:04 Uhr", 1]] * 1000))
    assert "(and 999 more" in problem.message


def test_the_order_of_day_and_month_is_asked_only_where_it_matters(tmp_path):
    head = [["Time", "n"]]
    same = write(tmp_path / "a.csv", head, [["01/12/2026 09:00:00", 1], ["01/12/2026 09:00:05", 2]])
    assert read(same, clock_layout()).columns["time"].tolist() == [0.0, 5.0]
    # Only one way exists, or runs forwards.
    one = write(tmp_path / "b.csv", head, [["30/11/2026 23:59:59", 1], ["01/12/2026 00:00:01", 2]])
    assert read(one, clock_layout()).columns["time"].tolist() == [0.0, 2.0]
    two = write(tmp_path / "c.csv", head, [["01/12/2026 23:59:59", 1], ["02/12/2026 00:00:01", 2]])
    assert "'date_order'" in refused(two, clock_layout())[0].message
    assert read(two, clock_layout(date_order="day-month-year")).columns["time"].tolist() == [0.0, 2.0]
    american = read(two, clock_layout(date_order="month-day-year")).columns["time"]
    expected = pd.Timestamp("2026-02-12 00:00:01") - pd.Timestamp("2026-01-12 23:59:59")
    assert american.tolist() == [0.0, expected.total_seconds()]
    wrong = refused(one, clock_layout(date_order="month-day-year"))[0]
    assert (wrong.line, "holds no date in the order" in wrong.message) == (2, True)


def test_minutes_and_seconds_are_what_the_unit_says(tmp_path):
    for unit, factor, step in (("h:mm", 60.0, 60.0), ("mm:ss", 1.0, 1.0)):
        path = write(
            tmp_path / "a.csv", [[f"time [{unit}]", "speed [rpm]"]], [["09:05", 1], ["09:10", 2], ["10:20", 3]]
        )
        found = read(path)
        assert found.columns["time"].tolist() == [0.0, 5 * factor, 75 * factor]
        assert found.time_resolution == step
    # A fraction can only belong to seconds, half a day only to hours.
    assert seconds(["1:02.5", "1:03.7"], Clock())[0][1] == pytest.approx(1.2)
    assert seconds(["9:05 AM", "9:10 AM"], Clock())[0].tolist() == [0.0, 300.0]


def test_a_fraction_that_is_always_zero_was_never_measured():
    assert seconds(["09:00:01.000", "09:00:02.000"], Clock())[1].resolution == 1.0
    assert seconds(["09:00:01.000", "09:00:02.001"], Clock())[1].resolution == pytest.approx(1e-3)


def test_a_stopwatch_counts_beyond_a_day():
    assert seconds(["23:59:50", "24:00:10", "25:00:00"], Clock())[0].tolist() == [0.0, 20.0, 3610.0]


# ----- Workbooks


def book(path, rows, head=("Time", "n")):
    made = openpyxl.Workbook()
    for row in [head, *rows]:
        made.active.append(row)
    made.save(path)
    return path


def test_a_workbook_of_dates_times_spans_and_texts(tmp_path):
    moments = [moment.to_pydatetime() for moment in MOMENTS]
    columns = {
        "dates": moments,
        "times": [moment.time() for moment in moments],
        "spans": [datetime.timedelta(seconds=float(t)) for t in SINCE],
        "texts": [moment.strftime("%d.%m.%Y %H:%M:%S.%f") for moment in moments],
    }
    for name, cells in columns.items():
        rows = [[cell, n, "a note", None] for cell, n in zip(cells, SPEED, strict=True)]
        found = read(book(tmp_path / f"{name}.xlsx", rows), clock_layout())
        np.testing.assert_allclose(found.columns["time"], SINCE, atol=2e-3, err_msg=name)
        assert found.time_resolution == pytest.approx(0.01), name
        assert "clock times" in found.notes[0].message


def test_a_workbook_written_by_pandas(tmp_path):
    pd.DataFrame({"time": MOMENTS.round("s"), "speed [rpm]": SPEED}).to_excel(tmp_path / "a.xlsx", index=False)
    found = read(tmp_path / "a.xlsx")
    expected = (MOMENTS.round("s") - MOMENTS.round("s")[0]).total_seconds()
    np.testing.assert_allclose(found.columns["time"], expected, atol=2e-3)
    assert found.time_resolution == 1.0


def test_a_workbook_with_dates_apart_and_whole_minutes(tmp_path):
    start = datetime.datetime(2026, 11, 28, 23, 55)
    moments = [start + datetime.timedelta(minutes=5 * k) for k in range(4)]
    rows = [[m.date(), m.time(), 20 + k] for k, m in enumerate(moments)]
    found = read(book(tmp_path / "a.xlsx", rows, ("Day", "Time", "n")), clock_layout(date="Day"))
    assert found.columns["time"].tolist() == [0.0, 300.0, 600.0, 900.0]
    assert found.time_resolution == 60.0


def test_one_line_for_a_workbook_too(tmp_path):
    rows = [[datetime.time(9, 12, k), k] for k in range(5)]
    rows[3][0], rows[4][0] = 5.0, None
    (problem,) = refused(book(tmp_path / "a.xlsx", rows), clock_layout())
    assert (problem.line, problem.column) == (5, "time")
    assert "'5' is no clock time" in problem.message
    assert "(and 1 more" in problem.message


# ----- What the step leaves open


def test_the_ends_of_a_log_are_as_far_off_as_its_clock_is_coarse():
    # A clock that is cut to whole seconds, watched by NumPy: what a duration is off scatters by the square root of
    # two rectangles of half a second (JCGM 100:2008, 4.3.7 and F.2.2.1).
    draw = np.random.default_rng(1)
    begin = draw.uniform(0, 1, 200_000)
    length = draw.uniform(100, 200, 200_000)
    off = np.floor(begin + length) - np.floor(begin) - length
    time = np.array([0.0, 40.0, 75.0, 150.0])
    places = [StampError(1.0, place).error(time) for place in range(len(PLACES))]
    stated = math.hypot(*(error[-1] - error[0] for error in places))
    assert stated == pytest.approx(off.std(), rel=0.01)
    assert all(abs(error).max() * math.sqrt(3) == pytest.approx(0.5) for error in places)
    # Nowhere is a stamp off by more than its step allows.
    assert np.all(np.abs(places).sum(axis=0) * math.sqrt(3) <= 0.5 + 1e-12)


@pytest.mark.parametrize("pace", [0.77, 1.0, 1.013, 1.03])
def test_slope_and_bend_hold_the_truth_whatever_the_pace_of_the_readings(pace):
    """A clock cut to whole seconds moves a fitted slope and bend by no more than two and a half times what is stated.

    The fit is NumPy's; the clock, with every phase that readings can have to it, is arithmetic.
    """
    true = np.arange(0.0, 30.0, pace)
    off = []
    for begin in np.linspace(0.0, 1.0, 101)[:-1]:
        time = np.floor(begin + true) - np.floor(begin)
        off.append(np.polyfit(time, true, 2)[:2])
    spread = np.std(off, axis=0)
    moved = [np.polyfit(true + StampError(1.0, place).error(true), true, 2)[:2] for place in range(len(PLACES))]
    stated = np.sqrt(np.sum((np.array(moved) - np.polyfit(true, true, 2)[:2]) ** 2, axis=0))
    assert np.all(spread < 1.5 * stated)
    assert np.all(np.abs(off - np.polyfit(true, true, 2)[:2]).max(axis=0) < 2.5 * stated)


def test_a_capture_of_edges_takes_no_clock_times(tmp_path):
    start = datetime.datetime(2026, 5, 2, 9)
    rows = [[f"{start + datetime.timedelta(microseconds=5 * k):%H:%M:%S.%f}", k // 9 % 2, 0] for k in range(4000)]
    path = write(tmp_path / "a.csv", [["time", "gate_ah [1]", "gate_al [1]"]], rows)
    procedure = procedures()["gate-timing"]
    reducer = procedure.reducer({"sample_rate": 2e5})
    with pytest.raises(InputError) as caught:
        read_reduced(path, Layout(), procedure, reducer, shown="U/a.csv", require=lambda *_: None)
    (problem,) = caught.value.problems
    assert "export the time of its samples in seconds" in problem.message


def test_check_sees_the_same(tmp_path):
    rows = [[f"09:00:{k:02d}", k] for k in range(5)]
    log = open_log(write(tmp_path / "a.csv", [["time", "speed [rpm]"]], rows), Layout(), WANTED, shown="x")
    assert sum(chunk.rows for chunk in log.chunks) == 5
    assert log.time_resolution == 1.0
    assert len(log.notes) == 1


def test_the_step_of_a_clock_is_in_the_budget(tmp_path):
    """A run-down timed by a clock of whole seconds: the interval is the wider by the ends of the log."""
    found = {}
    for name, cell in (("clock", "{:%H:%M:%S}"), ("seconds", "")):
        bench = Bench(tmp_path / name).build()
        bench.edit("raw/BAD/unit.yaml", "winding-resistance", "coast-down")
        bench.edit("raw/BAD/unit.yaml", "{winding_temperature: 24.0 degC}", "{moment_of_inertia: 0.05 kg m^2}")
        start = datetime.datetime(2026, 5, 2, 9, 0)
        rows = [[cell.format(start + datetime.timedelta(seconds=k)) or k, 200 - 6 * k] for k in range(30)]
        write(bench.bad / "steps.csv", [["time [s]", "speed [rpm]"]], rows)
        found[name] = process(bench.root)
    friction = {name: outcome.results["BAD"]["quantities"]["coulomb_friction"] for name, outcome in found.items()}
    sources = [line["source"] for line in friction["clock"]["budget"]]
    assert any(source.startswith("step of the clock times of steps.csv") for source in sources), sources
    assert friction["clock"]["value"] == pytest.approx(friction["seconds"]["value"], rel=1e-4)
    assert friction["clock"]["standard_uncertainty"] > friction["seconds"]["standard_uncertainty"]


def test_a_stamp_that_lost_a_colon_is_called_malformed():
    with pytest.raises(ValueError, match="'0912:10' is malformed: it is not written as the first stamp, '09:12:04'"):
        seconds(["09:12:04", "09:12:07", "0912:10", "09:12:13"], Clock())


def test_a_column_that_the_layout_uses_already_is_not_suggested_for_another(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("t,Speed 1\n" + "".join(f"{k},{k}\n" for k in range(5)))
    columns = {
        "time": LayoutColumn(column="t", unit="s"),
        "speed": LayoutColumn(column="Speed 1", unit="rpm"),
        "voltage_ab": LayoutColumn(column="Speed 2", unit="V"),
    }
    (problem,) = refused(path, Layout(columns=columns))
    assert "the layout asks for the column 'Speed 2'" in problem.message and "did you mean" not in problem.message
    (problem,) = refused(path, Layout(columns={**columns, "speed": LayoutColumn(column=1, unit="rpm")}))
    assert "did you mean 'Speed 1'" in problem.message
