"""Signatures that outlast their certificates: PAdES B-LT and B-LTA (ETSI EN 319 142-1), renewed and attacked.

The authority and the time stamp service are stand-ins on this computer; that the PDFs are sound is also Poppler's word.
"""

from __future__ import annotations

import datetime
import io
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pikepdf
import pytest
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

from rotorproof.errors import InputError
from rotorproof.evidence import lasting
from rotorproof.evidence.attachments import Attachment, attach
from rotorproof.evidence.lasting import strengthen
from rotorproof.evidence.renewal import renew
from rotorproof.evidence.revisions import Revision, recover
from rotorproof.evidence.signature import Checked, check_signature, quiet_libraries, sign_pdf
from rotorproof.evidence.trust import read_certificates

from . import test_pdf_changed_later as changes
from .authority import DAY, Authority, serving
from .conftest import Workshop
from .forging import NOW, Holder, another_key, holder


@pytest.fixture
def authority() -> Iterator[Authority]:
    quiet_libraries()
    with serving() as found:
        yield found


def small() -> bytes:
    """Return a report of two pages with one attachment: a true one takes long to compare with itself."""
    document = pikepdf.new()
    for _ in range(2):
        document.add_blank_page()
    out = io.BytesIO()
    document.save(out)
    return attach(out.getvalue(), [Attachment("results.json", b"{}", "x", "Data")])


class Bench:
    """A report, and those who sign and stamp it."""

    def __init__(self, authority: Authority, folder: Path) -> None:
        self.authority, self.folder = authority, folder
        self.pdf = small()
        self.roots = read_certificates([authority.write(folder)])

    def signed(self, who: Holder, *, stamped: bool = True) -> bytes:
        signer = who.signer(self.folder)
        url = self.authority.url if stamped else None
        return sign_pdf(self.pdf, signer, name="x", reason="x", timestamp_url=url)

    def strengthened(self, pdf: bytes) -> bytes:
        return strengthen(pdf, timestamp_url=self.authority.url, trust=self.roots)


@pytest.fixture
def bench(authority: Authority, tmp_path: Path) -> Bench:
    return Bench(authority, tmp_path)


def years_later(monkeypatch: pytest.MonkeyPatch, years: float) -> None:
    later = NOW + datetime.timedelta(days=365 * years)
    monkeypatch.setattr("rotorproof.evidence.signature._now", lambda: later)


def test_the_words_of_the_authority_and_a_time_stamp_are_added_and_nothing_is_changed(bench: Bench) -> None:
    authority = bench.authority
    authority.stamps()
    first = bench.signed(authority.certify("Ann"))
    assert not {"/ocsp", "/crl"} & set(authority.asked)
    made = bench.strengthened(first)
    assert {"/ocsp", "/crl"} <= set(authority.asked)
    assert made.startswith(first)
    found = check_signature(made, bench.roots)
    assert (found.faults, found.trusted, found.time_stamp_trusted) == ([], True, True)
    assert found.signed == first
    assert any("not revoked when it signed is in the report" in note for note in found.notes)
    assert any(f"renew it before {NOW + 365 * DAY:%Y-%m-%d}" in note for note in found.notes)
    # Whoever trusts neither sees the same file, unchanged by an unknown signer.
    assert (check_signature(made, []).faults, check_signature(made, []).trusted) == ([], False)
    path = bench.folder / "made.pdf"
    path.write_bytes(made)
    poppler = subprocess.run(["pdfsig", "-nocert", str(path)], capture_output=True, text=True, check=False).stdout
    assert poppler.count("Signature is Valid") >= 1, poppler
    assert "Total document signed" in poppler


def test_it_can_be_renewed_and_holds_when_all_its_certificates_have_ended(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    authority = bench.authority
    authority.stamps(last=NOW + 20 * DAY)
    made = bench.strengthened(bench.signed(authority.certify("Ann", last=NOW + 10 * DAY)))
    authority.stamps(last=NOW + 4000 * DAY)
    again = bench.strengthened(made)
    assert again.startswith(made)
    years_later(monkeypatch, 5)
    found = check_signature(again, bench.roots)
    assert (found.faults, found.trusted, found.time_stamp_trusted) == ([], True, True)
    assert any(note.startswith("2 time stamps over the whole report") for note in found.notes)
    assert not any("should have been renewed" in note for note in found.notes)
    late = check_signature(made, bench.roots)
    assert any("it should have been renewed before" in note for note in late.notes)


def test_a_certificate_of_the_workshops_own_needs_no_authority_but_the_services(bench: Bench) -> None:
    bench.authority.stamps()
    bench.authority.now = NOW
    own = holder("Own")
    bench.roots += read_certificates([own.write(bench.folder, "own")])
    made = bench.strengthened(bench.signed(own, stamped=False))
    found = check_signature(made, bench.roots)
    assert (found.faults, found.trusted, found.time_stamp_trusted) == ([], True, True)
    assert found.time_stamped_at == bench.authority.now
    assert not any("not revoked" in note for note in found.notes)


def test_one_that_was_revoked_cannot_be_strengthened(bench: Bench) -> None:
    bench.authority.stamps()
    who = bench.authority.certify("Ann")
    first = bench.signed(who)
    bench.authority.revoked[who.certificate.serial_number] = NOW - DAY
    with pytest.raises(InputError, match=r"cannot be had, or is not good: .*revoked"):
        bench.strengthened(first)


def test_a_key_that_was_stolen_and_revoked_signs_with_its_clock_set_back(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The thief leaves out the time stamp of the signature and puts in the authority's word as it is."""
    authority = bench.authority
    authority.stamps()
    who = authority.certify("Ann")
    first = bench.signed(who, stamped=False)
    authority.revoked[who.certificate.serial_number] = NOW - DAY

    async def heedless(*given: object) -> list[object]:
        del given
        return []

    monkeypatch.setattr("pyhanko.sign.validation.dss.collect_validation_info", heedless)
    made = strengthen(first, timestamp_url=authority.url, trust=bench.roots)
    found = check_signature(made, bench.roots)
    # No word of the authority is in it: this is said by its absence.
    assert not any("not revoked" in note for note in found.notes)

    from asn1crypto import crl

    held = lasting._Held((), (), (crl.CertificateList.load(authority.crl()),))
    monkeypatch.setattr(lasting, "_held", lambda reader: held)
    found = check_signature(made, bench.roots)
    assert found.faults == ["the certificate (Common Name: Ann) had been revoked when it signed"]
    assert not found.trusted


def test_revoked_after_it_signed_is_no_fault(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    authority = bench.authority
    authority.stamps()
    who = authority.certify("Ann")
    made = bench.strengthened(bench.signed(who))
    authority.revoked[who.certificate.serial_number] = NOW + DAY

    from asn1crypto import crl

    held = lasting._Held((), (), (crl.CertificateList.load(authority.crl()),))
    monkeypatch.setattr(lasting, "_held", lambda reader: held)
    found = check_signature(made, bench.roots)
    assert (found.faults, found.trusted) == ([], True)


def test_an_authority_that_cannot_be_reached(bench: Bench) -> None:
    bench.authority.stamps()
    first = bench.signed(bench.authority.certify("Ann"))
    stranger = read_certificates([holder("Other", authority=True, key=another_key()).write(bench.folder, "other")])
    with pytest.raises(InputError, match="name the certificate of the authority with --trust"):
        strengthen(first, timestamp_url=bench.authority.url, trust=stranger)
    with pytest.raises(InputError, match=r"no time stamp from http://127.0.0.1:9/"):
        strengthen(first, timestamp_url="http://127.0.0.1:9/", trust=bench.roots)


@pytest.fixture(scope="module")
def lasting_pdf(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, Bench]:
    quiet_libraries()
    with serving() as authority:
        authority.stamps()
        bench = Bench(authority, tmp_path_factory.mktemp("lasting"))
        return bench.strengthened(bench.signed(authority.certify("Ann"))), bench


EVERY = [
    changes.nothing,
    changes.overlay,
    changes.annotation,
    changes.form,
    changes.layer,
    changes.attachment,
    changes.metadata,
    changes.pages,
]


@pytest.mark.parametrize("change", EVERY, ids=lambda f: f.__name__)
def test_what_is_appended_behind_the_last_time_stamp_is_found(
    lasting_pdf: tuple[bytes, Bench], change: Callable[[IncrementalPdfFileWriter], None]
) -> None:
    made, bench = lasting_pdf
    found = appended(made, change, bench)
    assert found.faults
    assert not found.trusted


@pytest.mark.parametrize("change", [c for c in EVERY if c is not changes.nothing], ids=lambda f: f.__name__)
def test_a_time_stamp_over_a_changed_report_makes_it_no_better(
    bench: Bench, change: Callable[[IncrementalPdfFileWriter], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Anyone gets a true time stamp for anything."""
    bench.authority.stamps()
    first = bench.signed(bench.authority.certify("Ann"))
    found = appended(first, change, bench, stamp=True)
    assert found.faults, found
    assert not found.trusted


def appended(
    pdf: bytes, change: Callable[[IncrementalPdfFileWriter], None], bench: Bench, *, stamp: bool = False
) -> Checked:
    writer = IncrementalPdfFileWriter(io.BytesIO(pdf))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    changed = out.getvalue()
    if stamp:
        changed = bench.strengthened(changed)
    return check_signature(changed, bench.roots)


def test_a_bit_flipped_in_what_was_added_makes_it_say_nothing_else(lasting_pdf: tuple[bytes, Bench]) -> None:
    """Found, or the time is no longer proved, or it lies where a time stamp may differ and still say the same."""
    made, bench = lasting_pdf
    whole = check_signature(made, bench.roots)
    start = len(whole.signed)
    same = 0
    places = range(start, len(made), (len(made) - start) // 24)
    for place in places:
        flipped = bytearray(made)
        flipped[place] ^= 0x01
        found = check_signature(bytes(flipped), bench.roots)
        same += not found.faults
        assert found.faults or found.signed == whole.signed
        assert found.faults or (found.time_stamped_at, found.time_stamp_trusted) == (whole.time_stamped_at, True)
        assert found.faults or set(found.notes) <= set(whole.notes)
    assert same < len(places) / 2


def test_the_archive_is_renewed_as_a_whole(
    archive: Path, signed: Workshop, authority: Authority, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    authority.stamps()
    roots = [authority.write(tmp_path), signed.public]
    before = (archive / "data/report.pdf").read_bytes()
    hashed = Revision(1, archive).report_sha256()
    renew(archive, timestamp_url=authority.url, trust=read_certificates(roots))
    after = (archive / "data/report.pdf").read_bytes()
    assert after.startswith(before)
    assert len(after) > len(before)
    assert Revision(1, archive).was(hashed)
    assert not Revision(1, archive).was("0" * 64)
    assert sorted(path.name for path in archive.parent.iterdir()) == [".lock", "r1"]
    said = signed.command("verify", archive, *(f"--trust={root}" for root in roots))
    assert said.returncode == 0, said.stdout
    assert "a time stamp over the whole report" in said.stdout


def test_an_archive_that_does_not_hold_is_not_renewed(archive: Path, authority: Authority, tmp_path: Path) -> None:
    authority.stamps()
    (archive / "data/results.json").write_text("{}", encoding="utf-8")
    with pytest.raises(InputError, match="does not hold, so it is not renewed"):
        renew(archive, timestamp_url=authority.url, trust=read_certificates([authority.write(tmp_path)]))
    assert archive.is_dir()
    with pytest.raises(InputError, match="no such archive folder"):
        renew(tmp_path / "none/r1", timestamp_url=authority.url, trust=[])


def test_one_that_was_killed_between_its_last_two_steps(archive: Path) -> None:
    unit = archive.parent
    archive.rename(unit / ".replaced-r1")
    recover(unit)
    assert archive.is_dir()
    shutil.copytree(archive, unit / ".replaced-r1")
    recover(unit)
    assert [path.name for path in unit.iterdir()] == ["r1"]


def test_signing_for_the_long_term(workshop: Workshop, authority: Authority, tmp_path: Path) -> None:
    authority.stamps()
    root = authority.write(tmp_path)
    refused = workshop.sign("--long-term")
    assert refused.returncode == 2
    assert "--long-term needs a time stamp service" in refused.stderr
    done = workshop.sign("--timestamp", authority.url, "--long-term", "--trust", root)
    assert done.returncode == 0, done.stderr
    said = workshop.command("verify", workshop.reports / "archive/CT-1/r1", "--trust", workshop.public, "--trust", root)
    assert said.returncode == 0, said.stdout
    assert "over the whole report" in said.stdout
