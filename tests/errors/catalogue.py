"""Every kind of wrong input: what is done to a good unit, and the place and words that must answer it."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass

from .bench import HEADER, Bench, Change, log_text

LOG, UNIT = "BAD/steps.csv", "BAD/unit.yaml"


@dataclass(frozen=True)
class Case:
    """One kind of wrong input. ``refused``: the whole unit cannot be used; else only the test is lost.

    ``severity`` is "warning" where numbers are still given.
    """

    name: str
    change: Change
    file: str | None
    line: int | None
    column: str | None
    words: str
    refused: bool = False
    severity: str = "error"


def log(old: str, new: str | bytes) -> Change:
    """Replace text in the log."""
    return lambda bench: bench.edit("raw/BAD/steps.csv", old, new)


def whole(content: str | bytes) -> Change:
    """Replace the whole log."""
    data = content.encode() if isinstance(content, str) else content
    return lambda bench: (bench.bad / "steps.csv").write_bytes(data)


def unit(old: str, new: str | bytes) -> Change:
    """Replace text in unit.yaml."""
    return lambda bench: bench.edit("raw/BAD/unit.yaml", old, new)


def with_layout(old: str, new: str) -> Change:
    """Give the log a layout of its own (the good unit uses none) and spoil it."""

    def change(bench: Bench) -> None:
        bench.edit("raw/BAD/unit.yaml", "log: steps.csv", "log: steps.csv\n    layout: logger")
        bench.edit("config/layouts/logger.yaml", old, new)

    return change


def limits(old: str, new: str) -> Change:
    """Give the unit an acceptance set of its own and spoil it."""

    def change(bench: Bench) -> None:
        text = (bench.root / "config/acceptance/small.yaml").read_text()
        (bench.root / "config/acceptance/own.yaml").write_text(text)
        bench.edit("raw/BAD/unit.yaml", "acceptance: small", "acceptance: own")
        bench.edit("config/acceptance/own.yaml", old, new)

    return change


def timed(old: str, new: str, *, header: str = "time [s],speed [rpm]") -> Change:
    """Make the test a coast-down, whose rows are ordered in time, and spoil its log."""
    rows = "".join(f"{k / 2},{200 - 5 * k}\n" for k in range(30))

    def change(bench: Bench) -> None:
        conditions = "    conditions: {winding_temperature: 24.0 degC}\n"
        bench.edit("raw/BAD/unit.yaml", conditions, "    conditions: {moment_of_inertia: 0.05 kg m^2}\n")
        bench.edit("raw/BAD/unit.yaml", "winding-resistance", "coast-down")
        (bench.bad / "steps.csv").write_text(f"# run 1\n{header}\n{rows}")
        bench.edit("raw/BAD/steps.csv", old, new)

    return change


def clock(old: str, new: str) -> Change:
    """Give a run-down clock times and spoil one of them."""

    def change(bench: Bench) -> None:
        timed("run", "run")(bench)
        rows = "".join(f"09:00:{k:02d},{200 - 5 * k}\n" for k in range(30))
        (bench.bad / "steps.csv").write_text(f"# run 1\ntime,speed [rpm]\n{rows}")
        bench.edit("raw/BAD/steps.csv", old, new)

    return change


def gone(bench: Bench) -> None:
    """Take the log away."""
    (bench.bad / "steps.csv").unlink()


def folder(bench: Bench) -> None:
    """Put a folder in the log's place."""
    gone(bench)
    (bench.bad / "steps.csv").mkdir()


def link(target: str) -> Change:
    """Put a symbolic link in the log's place."""

    def change(bench: Bench) -> None:
        gone(bench)
        (bench.bad / "steps.csv").symlink_to(target)

    return change


def hot(text: str) -> Change:
    """Add a column of the winding's temperature whose second reading is ``text``."""
    lines = [line + f",{24 if k != 2 else text}" for k, line in enumerate(log_text().splitlines())]
    lines[0] = HEADER + ",temperature_winding [degC]"
    return whole("\n".join(lines) + "\n")


def scaled(column: int, factor: float, plus: float = 0.0) -> Change:
    """Multiply a column of the log, whatever comes of it, and add to it."""

    def spoilt(line: str) -> str:
        cells = line.split(",")
        return ",".join([*cells[:column], repr(factor * float(cells[column]) + plus), *cells[column + 1 :]])

    head, *rows = log_text().splitlines()
    return whole("\n".join([head, *map(spoilt, rows)]) + "\n")


def found_out(cell: str) -> Change:
    """Write the log with semicolons and decimal commas, to be found out, and put ``cell`` in place of a current."""

    def change(bench: Bench) -> None:
        bench.edit("raw/BAD/unit.yaml", "log: steps.csv", "log: steps.csv\n    layout: auto")
        text = log_text().replace(",", ";").replace(".", ",").replace("2,5000", cell, 1)
        (bench.bad / "steps.csv").write_text(text, encoding="utf-8")

    return change


def pipe(name: str) -> Change:
    """Put a named pipe in a file's place; to open it would wait for ever."""

    def change(bench: Bench) -> None:
        (bench.bad / name).unlink()
        os.mkfifo(bench.bad / name)

    return change


def loop(name: str) -> Change:
    """Put a link that leads to itself in a file's place."""

    def change(bench: Bench) -> None:
        (bench.bad / name).unlink()
        (bench.bad / name).symlink_to(name)

    return change


def named(name: str) -> Change:
    """Give the log another name."""

    def change(bench: Bench) -> None:
        # Not every name is one that a disk takes.
        with contextlib.suppress(OSError):
            (bench.bad / "steps.csv").rename(bench.bad / name)
        bench.edit("raw/BAD/unit.yaml", "log: steps.csv", f"log: '{name}'")

    return change


def two_meters(bench: Bench) -> None:
    """Add a second instrument that could have read the same column."""
    bench.edit("raw/BAD/unit.yaml", "tests:", "  scope:\n    accuracy: {voltage: 1 %}\ntests:")


GOOD = log_text()
FIRST = GOOD.split("\n")[1]
LATIN = (
    "voltage_ab [V],current_ab [A],voltage_bc [V],current_bc [A],voltage_ca [V],current_ca [A],temperature_winding [°C]"
)

CASES = [
    # ----- the log as a file
    Case("log absent", gone, LOG, None, None, "is not there; add the file"),
    Case("log is a folder", folder, LOG, None, None, "is a folder"),
    Case("log empty", whole(b""), LOG, None, None, "the log is empty"),
    Case("log of blanks", whole(" \n\n\t\n"), LOG, None, None, "the log is empty"),
    Case("log of comments", whole("# one\n# two\n"), LOG, None, None, "no header row"),
    Case("header only", whole(HEADER + "\n"), LOG, None, None, "0 rows of readings; at least"),
    Case("three rows only", whole("\n".join(GOOD.split("\n")[:4])), LOG, None, None, "3 rows of readings; at least"),
    Case("link to nowhere", link("nothing.csv"), LOG, None, None, "is not there"),
    Case("link out of the folder", link("../GOOD/steps.csv"), UNIT, 15, "log", "outside the unit's folder", True),
    Case("log is a pipe", pipe("steps.csv"), LOG, None, None, "not a regular file"),
    Case("log is a loop of links", loop("steps.csv"), LOG, None, None, "symbolic links"),
    Case("log named like a pattern", named("{unit}.csv"), UNIT, 15, "log", "is no name for a log", True),
    Case("log named like a wildcard", named("*.csv"), UNIT, 15, "log", "is no name for a log", True),
    Case("log named at length", named("\u00fc" * 150 + ".csv"), UNIT, 15, "log", "longer than a disk takes", True),
    Case("log named like a mark-up", named("<b>.csv"), UNIT, 15, "log", "is no name for a log", True),
    Case("link to a device", link("/dev/zero"), UNIT, 15, "log", "outside the unit's folder", True),
    Case("UTF-16", whole(GOOD.encode("utf-16")), LOG, 1, None, "UTF-16"),
    Case("UTF-16 without mark", whole(GOOD.encode("utf-16-le")), LOG, 1, None, "NUL bytes"),
    Case("Latin-1", whole((LATIN + "\n").encode("latin-1") + b"1,2,3,4,5,6,20\n"), LOG, 1, None, "byte 0xb0"),
    Case("NUL bytes", log("1.0000", b"1.0\x00"), LOG, 3, None, "NUL bytes"),
    Case("a picture", whole(b"\x89PNG\r\n\x1a\n" + bytes(50)), LOG, None, None, "a picture"),
    Case("a PDF", whole(b"%PDF-1.4 etc"), LOG, None, None, "a PDF"),
    Case("old Excel", whole(b"\xd0\xcf\x11\xe0" + bytes(99)), LOG, None, None, "old Excel workbook"),
    Case("zip archive", whole(b"PK\x03\x04" + bytes(99)), LOG, None, None, "no Excel workbook file that can be read"),
    Case("cut-off gzip", whole(b"\x1f\x8b\x08" + bytes(20)), LOG, None, None, "damaged or cut off"),
    Case("broken Parquet", whole(b"PAR1" + bytes(99)), LOG, None, None, "no Parquet file that can be read"),
    Case("broken HDF5", whole(b"\x89HDF\r\n\x1a\n" + bytes(99)), LOG, None, None, "no HDF5 file that can be read"),
    Case("broken TDMS", whole(b"TDSm" + bytes(99)), LOG, None, None, "no"),
    Case("broken MDF", whole(b"MDF     4.10    " + bytes(99)), LOG, None, None, "no ASAM MDF file that can be read"),
    Case("WAV without a layout", whole(b"RIFF" + bytes(99)), LOG, None, None, "a WAV file knows no units"),
    # ----- the header
    Case("unit missing", log("voltage_bc [V]", "voltage_bc"), LOG, 1, "voltage_bc", "write its header as"),
    Case("unit empty", log("voltage_bc [V]", "voltage_bc []"), LOG, 1, "voltage_bc", "a unit is missing"),
    Case("unit unknown", log("voltage_bc [V]", "voltage_bc [Wolt]"), LOG, 1, "voltage_bc", "is not known"),
    Case("unit of another kind", log("voltage_bc [V]", "voltage_bc [A]"), LOG, 1, "voltage_bc", "does not measure"),
    Case("round brackets", log("voltage_bc [V]", "voltage_bc (V)"), LOG, 1, "voltage_bc", "'voltage_bc [unit]'"),
    Case("column twice", log("voltage_bc [V]", "voltage_ab [mV]"), LOG, 1, "voltage_ab", "stands 2 times"),
    Case("semicolons", whole(GOOD.replace(",", ";")), LOG, 1, None, "semicolon 5 times"),
    Case("tabs", whole(GOOD.replace(",", "\t")), LOG, 1, None, "tab 5 times"),
    Case("no column of use", whole("a [V],b [A]\n" + "1,2\n" * 9), LOG, None, "voltage_ab", "needs one of the columns"),
    Case("ohms", whole("R1-2 (mOhm)\n" + "242\n" * 9), LOG, None, "voltage_ab", "readings in ohms are not taken"),
    Case(
        "column misspelt",
        whole("voltage_a b,curent_ab [A],voltage_ab [V]\n" + "1,2,3\n" * 9),
        LOG,
        None,
        "current_ab",
        "if 'curent_ab [A]' is meant, rename it",
    ),
    # ----- the cells
    Case("text", log("2.5000", "ca. 2.5"), LOG, 6, "current_ab", "is not a number"),
    Case("number with its unit", log("2.5000", "2.5 A"), LOG, 6, "current_ab", "belongs into the header"),
    Case("decimal comma in quotes", log("2.5000", '"2,5"'), LOG, 6, "current_ab", "decimal comma"),
    Case(
        "decimal comma",
        whole(HEADER + "\n" + FIRST.replace(".", ",") + "\n"),
        LOG,
        2,
        None,
        "decimal mark looks like a comma",
    ),
    Case("thousands", log("2.5000", '"2,500.0"'), LOG, 6, "current_ab", "between thousands"),
    Case("clock time", log("2.5000", "12:30:01"), LOG, 6, "current_ab", "clock time"),
    Case("NaN", log("2.5000", "NaN"), LOG, 6, "current_ab", "not a finite number"),
    Case("infinity", log("2.5000", "-inf"), LOG, 6, "current_ab", "not a finite number"),
    Case("overflow", log("2.5000", "1e999"), LOG, 6, "current_ab", "too large"),
    Case("blank cell", log("2.5000", " "), LOG, 6, "current_ab", "the cell is empty"),
    Case("row too short", log(",2.5000", ""), LOG, 6, "current_ca", "5 cells, the header 6"),
    Case("row too long", log("2.5000", "2.5000,9"), LOG, 6, None, "7 cells, the header 6"),
    Case("open quote", log("2.5000", '"2.5000'), LOG, 6, None, "quotes"),
    Case("endless cell", log("2.5000", "5" * 200_000), LOG, 6, None, "cannot be split"),
    Case("overload code", log("2.5000", "9.9E37"), LOG, 6, "current_ab", "a meter's code for an overload"),
    Case("overload code, negative", log("2.5000", "-9.90000000E+37"), LOG, 6, "current_ab", "a meter's code"),
    Case("code for no number", log("2.5000", "9.91E37"), LOG, 6, "current_ab", "a meter's code for an overload"),
    Case("OL", log("2.5000", "OL"), LOG, 6, "current_ab", "a meter's code for an overload"),
    Case("-OL", log("2.5000", "-OL"), LOG, 6, "current_ab", "a meter's code for an overload"),
    Case("0.L", log("2.5000", "0.L"), LOG, 6, "current_ab", "a meter's code for an overload"),
    Case("OVLD", log("2.5000", "OVLD"), LOG, 6, "current_ab", "a meter's code for an overload"),
    Case("dashes", log("2.5000", "----"), LOG, 6, "current_ab", "a meter's code for an overload"),
    Case("huge reading", log("2.5000", "1e160"), LOG, 6, "current_ab", "too large for a number"),
    Case("reading beyond any bench", log("2.5000", "2.5e9"), LOG, 6, "current_ab", "further than any bench reaches"),
    Case(
        "readings next to nothing",
        whole(HEADER + "\n" + "".join(",".join([f"{k}e-300"] * 6) + "\n" for k in range(1, 10))),
        LOG,
        None,
        "voltage_ab",
        "correct the unit or scale",
    ),
    Case("column scaled by 1e300", scaled(2, 1e300), LOG, 2, "voltage_bc", "too large for a number"),
    Case("column that stands still", scaled(2, 0, plus=5), LOG, None, None, "the wrong sign"),
    Case("marks between thousands, found out", found_out("1.234,5"), LOG, 6, "current_ab", "marks between thousands"),
    Case("marks between thousands by the thousand", found_out("1.234" + ".234" * 40_000), LOG, 1, None, "no delimiter"),
    Case("below absolute zero", hot("-300"), LOG, 3, "temperature_winding", "below absolute zero"),
    Case("cell of 130,000 digits", log("2.5000", "5" * 130_000 + "x"), LOG, 6, "current_ab", "a cell of 130001 char"),
    Case("cell of blanks", log("2.5000", "2" + " " * 100_000 + "x"), LOG, 6, "current_ab", "a cell of 100002 char"),
    Case("marks between thousands", log("2.5000", "1 234" + " 234" * 30_000), LOG, 6, "current_ab", "characters, no"),
    Case("blanks in the header", log("voltage_bc", "voltage_bc" + " " * 100_000), LOG, 1, None, "shorten it"),
    Case("arithmetic in a unit", log("voltage_bc [V]", "voltage_bc [9**9**9 V]"), LOG, 1, "voltage_bc", "is not known"),
    Case("brackets in a unit", log("bc [V]", "bc [" + "(" * 90 + "V]"), LOG, 1, "voltage_bc", "is no unit"),
    Case("thousands of columns", whole("a," * 5000 + "\n"), LOG, 1, None, "5001 columns"),
    # ----- time
    Case("time runs backwards", timed("5.0,150", "2.0,150"), LOG, 13, "time", "runs backwards: 2 s comes after 4.5 s"),
    Case("time stands still", timed("5.0,150", "4.5,150"), LOG, 13, "time", "stands still"),
    Case(
        "two recordings in one log",
        timed("5.0,150\n", "0.0,150\n0.5,9\n1.0,8\n"),
        LOG,
        13,
        "time",
        "one recording per log",
    ),
    Case("clock times", timed("5.0,150", "10:00:05,150"), LOG, 13, "time", "clock time"),
    Case("dates", timed("5.0,150", "2026-05-02 10:00:05,150"), LOG, 13, "time", "clock time or date"),
    Case("clock runs backwards", clock("09:00:12", "09:00:02"), LOG, 15, "time", "the clock runs backwards, from"),
    Case("clock with a word", clock("09:00:12", "09:00:12 Uhr"), LOG, 15, "time", "is no clock time or date"),
    Case("clock without seconds", clock("09:00:00", "09:00"), LOG, 3, "time", "hours and minutes or minutes and sec"),
    Case("clock that stops", clock("09:00:12", ""), LOG, 15, "time", "the cell is empty"),
    Case("time missing", timed("x", "", header="tx,speed [rpm]"), LOG, None, "time", "needs the column time"),
    Case("time without unit", timed("time [s]", "time"), LOG, 2, "time", "write its header as 'time [unit]'"),
    Case("speed in hertz", timed("[rpm]", "[Hz]"), LOG, 2, "speed", "may mean revolutions or radians"),
    Case("header of units is broken", timed("[rpm]", "[rpm"), LOG, 2, "speed", "not in the plain form"),
    Case("a mark in a unit", timed("[rpm]", "[rpm;]"), LOG, 2, "speed", "is not known"),
    # ----- readings that say nothing
    Case(
        "current stands still", whole(HEADER + "\n" + "0.1,1,0.1,1,0.1,1\n" * 9), LOG, None, None, "do not vary enough"
    ),
    # ----- slips that leave a log readable
    Case(
        "rows that a logger filled with zeros",
        whole(GOOD + "0,0,0,0,0,0\n" * 5),
        LOG,
        None,
        None,
        "the last 5 rows are zero in every column",
        severity="warning",
    ),
    Case(
        "one current off by ten",
        log("2.5000", "25.000"),
        LOG,
        6,
        "voltage_ab",
        "where the other readings lead to",
        severity="warning",
    ),
    # ----- unit.yaml
    Case("no unit.yaml", lambda b: (b.bad / "unit.yaml").unlink(), UNIT, None, None, "has no unit.yaml", True),
    Case("unit.yaml empty", lambda b: (b.bad / "unit.yaml").write_text(""), UNIT, None, None, "must hold", True),
    Case(
        "unit.yaml is a list", lambda b: (b.bad / "unit.yaml").write_text("- a\n"), UNIT, None, None, "must hold", True
    ),
    Case("not UTF-8", unit("A. Tester", b"J\xfcrgen"), UNIT, 6, None, "not UTF-8", True),
    Case("not YAML", unit("kind: motor", "kind: [motor"), UNIT, 3, None, "not readable as YAML", True),
    Case("tab", unit("  rated_voltage", "\trated_voltage"), UNIT, 4, None, "a tab stands here", True),
    Case("key unknown", unit("operator:", "opperator:"), UNIT, 6, "opperator", "did you mean 'operator'", True),
    Case(
        "key unknown, deep",
        unit("rated_voltage", "rated_voltge"),
        UNIT,
        4,
        "nameplate.rated_voltge",
        "'rated_voltage'",
        True,
    ),
    Case("key twice", unit("operator:", "kind: motor\noperator:"), UNIT, 6, None, "stands twice", True),
    Case("key missing", unit("kind: motor\n", ""), UNIT, 1, "kind", "is missing", True),
    Case("kind unknown", unit("kind: motor", "kind: engine"), UNIT, 2, "kind", "must be one of", True),
    Case("folder and name differ", unit("unit: BAD", "unit: WORSE"), UNIT, 1, "unit", "must be equal", True),
    Case("name with a slash", unit("unit: BAD", "unit: a/b"), UNIT, 1, "unit", "letters, digits", True),
    Case("value without unit", unit("36 V", "36"), UNIT, 4, "nameplate.rated_voltage", "a unit is missing", True),
    Case("value of another kind", unit("36 V", "36 A"), UNIT, 4, "nameplate.rated_voltage", "does not measure", True),
    Case("value that is text", unit("36 V", "many V"), UNIT, 4, "nameplate.rated_voltage", "not a number with", True),
    Case(
        "value with a decimal comma",
        unit("36 V", "36,5 V"),
        UNIT,
        4,
        "nameplate.rated_voltage",
        "the decimal mark must be a point; write '36.5 V'",
        True,
    ),
    Case("date that does not exist", unit("2026-05-02", "2026-02-30"), UNIT, 7, None, "2026-02-30", True),
    Case("date as text", unit("2026-05-02", "yesterday"), UNIT, 7, "tested_on", "date", True),
    Case(
        "accuracy unreadable",
        unit("0.05 % + 1 mV", "good"),
        UNIT,
        12,
        "instruments.meter.accuracy.voltage",
        "not a number with a unit",
        True,
    ),
    Case(
        "accuracy of another kind",
        unit("0.05 % + 1 mV", "1 mA"),
        UNIT,
        12,
        "instruments.meter.accuracy.voltage",
        "does not measure",
        True,
    ),
    Case(
        "accuracy kind unknown",
        unit("{voltage: 0.05", "{volts: 0.05"),
        UNIT,
        12,
        "instruments.meter.accuracy.volts",
        "did you mean 'voltage'",
        True,
    ),
    Case("tag", unit("A. Tester", "!!python/object:os.system x"), UNIT, 6, None, "tag", True),
    Case("tag of bytes", unit("A. Tester", "!!binary aGFsbG8="), UNIT, 6, None, "tag", True),
    Case("tag of a set", unit("A. Tester", "!!set {x, y}"), UNIT, 6, None, "tag", True),
    Case("tag of pairs", unit("A. Tester", "!!omap [a: 1]"), UNIT, 6, None, "tag", True),
    Case("tag of a date", unit("A. Tester", "!!timestamp x"), UNIT, 6, None, "tag", True),
    Case("merge key", unit("operator:", "<<: {model: X}\noperator:"), UNIT, 6, None, "merge keys", True),
    Case("no finite number", unit("winding_material: copper", "gear_ratio: .inf"), UNIT, 5, None, "finite", True),
    Case("5000 digits", unit("winding_material: copper", "pole_pairs: " + "9" * 5000), UNIT, 5, None, "5000", True),
    Case("sixties", unit("winding_material: copper", "slots: 1" + ":1" * 60_000), UNIT, 5, None, "characters", True),
    Case("two documents", unit("operator:", "---\noperator:"), UNIT, 6, None, "second document", True),
    Case("unit.yaml is a pipe", pipe("unit.yaml"), UNIT, None, None, "not a regular file", True),
    Case("unit.yaml is a loop of links", loop("unit.yaml"), UNIT, None, None, "", True),
    Case("long key", unit("operator:", "o" * 500 + ": x\noperator:"), UNIT, 6, None, "a key of 500", True),
    Case("long operator", unit("A. Tester", "A" * 3000), UNIT, 6, "operator", "at most 200 characters", True),
    Case("voltage below zero", unit("36 V", "-42 V"), UNIT, 4, "nameplate.rated_voltage", "must be above 0 V", True),
    Case("text to be formatted", unit("36 V", "'{voltage} V'"), UNIT, 4, "nameplate.rated_voltage", "not a num", True),
    Case("arithmetic in a value", unit("36 V", "36 9**9**9"), UNIT, 4, "nameplate.rated_voltage", "not known", True),
    Case("huge value", unit("36 V", "1e160 V"), UNIT, 4, "nameplate.rated_voltage", "any bench reaches", True),
    Case("value next to nothing", unit("36 V", "1e-300 V"), UNIT, 4, "nameplate.rated_voltage", "from zero", True),
    Case(
        "value with blanks",
        unit("36 V", "'36" + " " * 9000 + "V'"),
        UNIT,
        4,
        "nameplate.rated_voltage",
        "characters",
        True,
    ),
    Case(
        "accuracy with blanks",
        unit("0.05 % + 1 mV", "'0.05 %" + " " * 9000 + "x'"),
        UNIT,
        12,
        "instruments.meter.accuracy.voltage",
        "is no accuracy",
        True,
    ),
    Case(
        "accuracy beyond reason",
        unit("0.05 % + 1 mV", "99999999 %"),
        UNIT,
        12,
        "instruments.meter.accuracy.voltage",
        "times the reading",
        True,
    ),
    Case("own tag", unit("A. Tester", "!secret x"), UNIT, 6, None, "tag", True),
    Case("alias", unit("operator: A. Tester", "operator: &a A\nmodel: *a"), UNIT, 6, None, "aliases", True),
    Case(
        "tests not a list",
        unit("tests:\n  - procedure", "tests:\n    procedure"),
        UNIT,
        13,
        "tests",
        "must be a list",
        True,
    ),
    Case("nested too deeply", unit("A. Tester", "[" * 5000 + "]" * 5000), UNIT, 6, None, "nesting", True),
    Case(
        "too large", lambda b: (b.bad / "unit.yaml").write_text("#" * 2_000_000), UNIT, None, None, "small text", True
    ),
    # ----- tests in unit.yaml
    Case(
        "procedure unknown",
        unit("winding-resistance", "winding-resistence"),
        UNIT,
        14,
        "procedure",
        "did you mean",
        True,
    ),
    Case(
        "procedure of another kind", unit("kind: motor", "kind: controller"), UNIT, 14, "procedure", "a test of a", True
    ),
    Case("log outside", unit("log: steps.csv", "log: ../GOOD/steps.csv"), UNIT, 15, "log", "outside the unit's", True),
    Case("log absolute", unit("log: steps.csv", "log: /etc/passwd"), UNIT, 15, "log", "outside the unit's", True),
    Case(
        "layout unknown",
        unit("log: steps.csv", "log: steps.csv\n    layout: scpe"),
        UNIT,
        16,
        "layout",
        "no layout",
        True,
    ),
    Case("condition unknown", unit("{winding_temp", "{wnding_temp"), UNIT, 16, "wnding_temperature", "knows no", True),
    Case("condition without unit", unit("24.0 degC", "24.0"), UNIT, 16, "winding_temperature", "unit is missing", True),
    Case(
        "temperature not stated",
        unit("    conditions: {winding_temperature: 24.0 degC}\n", ""),
        LOG,
        None,
        None,
        "temperature",
    ),
    Case(
        "instrument unknown",
        unit("log: steps.csv", "log: steps.csv\n    instruments: {voltage_ab: scope}"),
        UNIT,
        16,
        "tests, entry 1, instruments.voltage_ab",
        "not under 'instruments'",
        True,
    ),
    Case(
        "instrument for no column",
        unit("log: steps.csv", "log: steps.csv\n    instruments: {torque: meter}"),
        UNIT,
        16,
        "torque",
        "has no column or condition",
        True,
    ),
    Case("two instruments", two_meters, UNIT, None, "voltage_ab", "several instruments could have read"),
    Case(
        "no accuracy",
        unit("voltage: 0.05 % + 1 mV, ", ""),
        UNIT,
        None,
        "voltage_ca",
        "no instrument states an accuracy for voltage",
        severity="warning",
    ),
    # ----- acceptance sets, populations and layouts
    Case(
        "population that is not there",
        unit("kind: motor", "kind: motor\npopulation: HM"),
        UNIT,
        3,
        "population",
        "there is no population 'HM'; there are: none; 'make population' writes them",
        refused=True,
    ),
    Case(
        "acceptance unknown",
        unit("acceptance: small", "acceptance: smal"),
        UNIT,
        17,
        "acceptance",
        "there are: small",
        True,
    ),
    Case(
        "meant for a vehicle that is not there",
        unit("acceptance: small", "acceptance: small\nfor: {vehicle: cargo}"),
        UNIT,
        18,
        "for",
        "config.yaml has no vehicle 'cargo' under 'vehicles'; none has a name",
        True,
    ),
    Case(
        "meant for nothing",
        unit("acceptance: small", "acceptance: small\nfor: {}"),
        UNIT,
        18,
        "for, entry 1",
        "name a 'pack', a 'vehicle' or both",
        True,
    ),
    Case(
        "limit for a vehicle of what is measured",
        limits("max: 3 percent", "max: 3 percent, for: {vehicle: cargo}"),
        "config/acceptance/own.yaml",
        3,
        "for",
        "resistance_unbalance is the same on every pack and vehicle",
        True,
    ),
    Case(
        "limit for a vehicle that is not there",
        limits(
            "quantity: resistance_unbalance, max: 3 percent",
            "quantity: pack_road_speed, max: 30 km/h, for: {vehicle: x}",
        ),
        UNIT,
        17,
        "acceptance",
        "the acceptance set 'own' limits pack_road_speed, but config.yaml has no vehicle 'x'",
        True,
    ),
    Case(
        "limit without unit",
        limits("0.13 ohm", "0.13"),
        "config/acceptance/own.yaml",
        2,
        "max",
        "unit is missing",
        True,
    ),
    Case(
        "limit of another kind",
        limits("0.13 ohm", "0.13 V"),
        "config/acceptance/own.yaml",
        2,
        "max",
        "not measure",
        True,
    ),
    Case(
        "quantity unknown",
        limits("phase_res", "phase_ress"),
        "config/acceptance/own.yaml",
        2,
        "quantity",
        "near it",
        True,
    ),
    Case(
        "no limit",
        limits(", max: 0.13 ohm", ""),
        "config/acceptance/own.yaml",
        2,
        "criteria, entry 1",
        "neither 'min' nor 'max'",
        True,
    ),
    Case(
        "share without a unit",
        limits("max: 3 percent", "max: 3"),
        "config/acceptance/own.yaml",
        3,
        "max",
        "a unit is missing; write '3 percent'",
        True,
    ),
    Case(
        "limits crossed",
        limits("max: 3", "min: 4 percent, max: 3"),
        "config/acceptance/own.yaml",
        3,
        "min",
        "above",
        True,
    ),
    Case(
        "rule unknown",
        limits("max: 3 percent", "max: 3 percent, rule: kind"),
        "config/acceptance/own.yaml",
        3,
        "criteria, entry 2, rule",
        "must be one of",
        True,
    ),
    Case(
        "criterion from a test that does not give it",
        limits("max: 3 percent", "max: 3 percent, from: no-load"),
        "config/acceptance/own.yaml",
        3,
        "from",
        "'no-load' does not give resistance_unbalance; it is given by: winding-resistance",
        True,
    ),
    Case(
        "layout column unknown",
        with_layout("voltage_ab", "volt"),
        "config/layouts/logger.yaml",
        3,
        "columns.volt",
        "canonical",
        True,
    ),
    Case(
        "layout unit wrong",
        with_layout("unit: V", "unit: A"),
        "config/layouts/logger.yaml",
        3,
        "columns.voltage_ab.unit",
        "not measure",
        True,
    ),
    Case(
        "layout encoding",
        with_layout("delimiter", "encoding: utf-99\ndelimiter"),
        "config/layouts/logger.yaml",
        1,
        "encoding",
        "utf-99",
        True,
    ),
    *(
        Case(
            f"layout encoding {name}",
            with_layout("delimiter", f"encoding: {name}\ndelimiter"),
            "config/layouts/logger.yaml",
            1,
            "encoding",
            name,
            True,
        )
        for name in ("hex", "zlib", "bz2", "rot13", "utf-7", "unicode_escape", "punycode", "undefined")
    ),
    Case(
        "layout unit of blanks",
        with_layout("unit: V", "unit: 'V" + " " * 9000 + "'"),
        "config/layouts/logger.yaml",
        3,
        "columns.voltage_ab.unit",
        "at most 200 characters",
        True,
    ),
    Case(
        "layout scale infinite",
        with_layout("unit: V", "unit: V, scale: .inf"),
        "config/layouts/logger.yaml",
        3,
        None,
        "finite",
        True,
    ),
    Case(
        "layout scale zero",
        with_layout("unit: V", "unit: V, scale: 0"),
        "config/layouts/logger.yaml",
        3,
        "columns.voltage_ab.scale",
        "erase",
        True,
    ),
    Case(
        "layout mark twice",
        with_layout('";"', '","\ndecimal: ","'),
        "config/layouts/logger.yaml",
        2,
        "decimal",
        "same character",
        True,
    ),
    Case(
        "layout key unknown",
        with_layout("delimiter", "delimeter"),
        "config/layouts/logger.yaml",
        1,
        "delimeter",
        "did you mean",
        True,
    ),
    Case(
        "layout column absent",
        with_layout("column: U", "column: V1"),
        LOG,
        1,
        "voltage_ab",
        "the layout asks for the column 'V1'",
    ),
    Case("layout fits no file", with_layout("column: U", "column: 9"), LOG, 1, "voltage_ab", "column number 9"),
]
