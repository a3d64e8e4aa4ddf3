"""Time stamps by RFC 3161, from a stand-in for a time stamp service on this computer."""

from __future__ import annotations

import asyncio
import datetime
import shutil
import subprocess
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from asn1crypto import keys, tsp
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from pyhanko.sign.timestamps.dummy_client import DummyTimeStamper

from rotorproof.evidence.signature import check_signature, quiet_libraries
from rotorproof.evidence.trust import read_certificates

from .conftest import Workshop

NOW = datetime.datetime(2026, 3, 4, 5, 6, 7, tzinfo=datetime.UTC)


def service(folder: Path) -> tuple[Path, DummyTimeStamper]:
    """Return the certificate of a time stamp service, and a stamper whose clock stands still."""
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Stand-in time stamp service")])
    certificate = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(NOW - datetime.timedelta(days=9))
        .not_valid_after(NOW + datetime.timedelta(days=9000))
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.TIME_STAMPING]), critical=True)
        .sign(key, hashes.SHA256())
    )
    path = folder / "service.pem"
    path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    der = key.private_bytes(serialization.Encoding.DER, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    own = asn1_x509.Certificate.load(certificate.public_bytes(serialization.Encoding.DER))
    when = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
    return path, DummyTimeStamper(own, keys.PrivateKeyInfo.load(der), [own], fixed_dt=when)


@pytest.fixture
def tsa(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """Serve time stamps on the loopback address; give the URL and the service's certificate."""
    certificate, stamper = service(tmp_path)

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            assert self.headers["Content-Type"] == "application/timestamp-query"
            request = tsp.TimeStampReq.load(self.rfile.read(int(self.headers["Content-Length"])))
            answer = asyncio.run(stamper.async_request_tsa_response(request)).dump()
            self.send_response(200)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, format: str, *args: object) -> None:
            del format, args

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/", certificate
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_time_stamp_is_in_the_signature_and_is_verified(
    workshop: Workshop, tsa: tuple[str, Path], tmp_path: Path
) -> None:
    quiet_libraries()
    url, certificate = tsa
    done = workshop.sign("--timestamp", url)
    assert done.returncode == 0, done.stderr
    archive = workshop.reports / "archive/CT-1/r1"
    said = workshop.command("verify", archive)
    assert said.returncode == 0, said.stdout
    assert "by a time stamp service unknown here" in said.stdout
    said = workshop.command("verify", archive, "--trust", workshop.public, "--trust", certificate)
    assert said.returncode == 0, said.stdout
    assert "by a time stamp service you trust" in said.stdout
    # Poppler, independent of the signer, finds the signature valid with the time stamp in it.
    poppler = subprocess.run(
        ["pdfsig", "-nocert", str(archive / "data/report.pdf")], capture_output=True, text=True, check=False
    )
    assert "Signature is Valid" in poppler.stdout
    content = (archive / "data/report.pdf").read_bytes()
    trust = read_certificates([workshop.public, certificate])
    assert check_signature(content, trust).time_stamp_trusted
    # The time stamp lies in the one part of the file that no signature covers.
    start = content.rindex(b"/Contents <") + len(b"/Contents <")
    end = start + len(content[start:].split(b">")[0].rstrip(b"0"))
    for place in range(start, end, 89):
        changed = bytearray(content)
        changed[place] ^= 0x01
        found = check_signature(bytes(changed), trust)
        assert found.faults or not found.time_stamp_trusted, place
    shutil.rmtree(tmp_path / "elsewhere", ignore_errors=True)


def test_no_answer_from_the_service_signs_nothing(workshop: Workshop) -> None:
    done = workshop.sign("--timestamp", "http://127.0.0.1:9/")
    assert done.returncode == 2
    assert "no time stamp from http://127.0.0.1:9/" in done.stderr
    assert not (workshop.reports / "archive/CT-1/r1").exists()
    assert not list((workshop.reports / "archive/CT-1").glob(".partial"))
