"""A drive's report rests on its parts: their logs are in its archive, and no change of them passes unseen."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

from pypdf import PdfReader

from tests.workflow.test_drive import add_controller, add_drive

from .conftest import Workshop
from .forging import forge, with_evidence


def test_a_drives_archive_holds_its_parts_and_follows_their_logs(workshop: Workshop, tmp_path: Path) -> None:
    project = workshop.project
    shutil.rmtree(workshop.root / "raw/CT-1")
    shutil.rmtree(workshop.reports)
    project.add_unit("M-1")
    controller = add_controller(project)
    add_drive(project)
    project.run()
    given = ("--role", "tester", "--passphrase-file", workshop.passphrase, "--incomplete", "no leads to move")
    done = workshop.command("sign", "D-1", *given)
    assert done.returncode == 0, done.stderr
    archive = workshop.reports / "archive/D-1/r1"
    names = {p.relative_to(archive / "data").as_posix() for p in (archive / "data").rglob("*") if p.is_file()}
    assert {
        "raw/D-1/unit.yaml",
        "raw/M-1/unit.yaml",
        "raw/M-1/steps.csv",
        "raw/C-1/unit.yaml",
        "raw/C-1/window.csv",
        "config/acceptance/small.yaml",
        "config/acceptance/pair.yaml",
    } <= names
    evidence = json.loads((archive / "data/evidence.json").read_bytes())
    assert {"M-1/steps.csv", "C-1/window.csv", "M-1/unit.yaml"} <= set(evidence["inputs"])
    page = " ".join(PdfReader(archive / "data/report.pdf").pages[0].extract_text().split())
    assert all(name in page for name in ("SN-C-1", "2026-05-02, 21 °C"))
    # Alone, far from its project, and from the PDF alone.
    shutil.copytree(archive, tmp_path / "away/D-1/r1")
    shutil.copy(archive / "data/report.pdf", tmp_path / "mail.pdf")
    said = workshop.command("verify", tmp_path / "away/D-1/r1", tmp_path / "mail.pdf", "--recompute")
    assert said.returncode == 0, said.stdout
    assert said.stdout.count("the same to the last digit") == 2

    # Page 1 says what the parts are, by the evidence; a holder of the key who changes it there alone is found out.
    evidence["configuration"]["parts"]["C-1"]["serial"] = "another"
    changed = {"configuration": evidence["configuration"]}
    forge(workshop, tmp_path / "away/D-1/r1", files=with_evidence(archive, {}, **changed), unit="D-1")
    said = workshop.command("verify", tmp_path / "away/D-1/r1")
    assert said.returncode == 0, "every hash and the signature fit"
    said = workshop.command("verify", tmp_path / "away/D-1/r1", "--recompute")
    assert said.returncode == 1
    assert "states another part than the archived files: C-1" in said.stdout

    # A part's log of the same size and time as before: only its content tells.
    log = controller / "window.csv"
    state = log.stat()
    content = log.read_text(encoding="utf-8").replace(",44.000,1.4", ",44.000,1.3")
    log.unlink()
    log.write_text(content, encoding="utf-8")
    os.utime(log, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert (log.stat().st_size, log.stat().st_mtime_ns) == (state.st_size, state.st_mtime_ns)
    again = (*given, "--because", "measured again")
    refused = workshop.command("sign", "D-1", *again)
    assert refused.returncode == 2
    assert "C-1/window.csv: the file has changed since the report was made" in refused.stderr
    before = project.stamps()
    project.run()
    assert {"C-1/results.json", "D-1/report.pdf"} <= project.changed(before)
    assert "M-1/results.json" not in project.changed(before)
    done = workshop.command("sign", "D-1", *again)
    assert done.returncode == 0, done.stderr
    said = workshop.command("verify", "reports/archive/D-1")
    assert said.returncode == 0, said.stdout
