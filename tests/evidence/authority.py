"""Stand-ins on this computer for an authority (revocation lists, OCSP) and a time stamp service it has certified."""

from __future__ import annotations

import asyncio
import datetime
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from asn1crypto import keys, tsp
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.x509 import ocsp
from cryptography.x509.oid import AuthorityInformationAccessOID, ExtendedKeyUsageOID, NameOID
from pyhanko.sign.timestamps.dummy_client import DummyTimeStamper

from .forging import KEY, NOW, Holder, another_key, holder

DAY = datetime.timedelta(days=1)
_DER = serialization.Encoding.DER


@dataclass
class Authority:
    """An authority at an address, whom it has certified, and whose certificates it has taken back."""

    url: str
    root: Holder
    #: When a certificate was revoked, by its serial number.
    revoked: dict[int, datetime.datetime] = field(default_factory=dict)
    #: The time stamp service's holder; another can be put in its place.
    service: Holder | None = None
    #: Where the clock of the time stamp service stands still; that of the computer otherwise.
    now: datetime.datetime | None = None
    #: What was asked for.
    asked: list[str] = field(default_factory=list)

    def certify(self, name: str, **about: Any) -> Holder:
        """Return a certificate that says where to ask about it: by OCSP and in a list."""
        key = about.pop("key", KEY)
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        by = self.root.certificate
        access = x509.AccessDescription(
            AuthorityInformationAccessOID.OCSP, x509.UniformResourceIdentifier(f"{self.url}ocsp")
        )
        place = x509.DistributionPoint([x509.UniformResourceIdentifier(f"{self.url}crl")], None, None, None)
        usage = dict.fromkeys(("digital_signature", "content_commitment"), True)
        others = ("key_encipherment", "data_encipherment", "key_agreement", "key_cert_sign", "crl_sign")
        others += ("encipher_only", "decipher_only")
        builder = (
            x509.CertificateBuilder(by.subject, subject, key.public_key(), x509.random_serial_number())
            .not_valid_before(about.pop("first", NOW - 30 * DAY))
            .not_valid_after(about.pop("last", NOW + 365 * DAY))
            .add_extension(x509.KeyUsage(**usage, **dict.fromkeys(others, False)), critical=True)
            .add_extension(x509.CRLDistributionPoints([place]), critical=False)
        )
        if about.pop("answers", True):
            builder = builder.add_extension(x509.AuthorityInformationAccess([access]), critical=False)
        if purposes := about.pop("purposes", ()):
            builder = builder.add_extension(x509.ExtendedKeyUsage(purposes), critical=True)
        assert not about, about
        return Holder(key, builder.sign(self.root.key, hashes.SHA256()))

    def stamps(self, **about: Any) -> Holder:
        """Let a newly certified service stamp the time from now on."""
        purposes = (ExtendedKeyUsageOID.TIME_STAMPING,)
        self.service = self.certify("Stand-in time stamp service", purposes=purposes, answers=False, **about)
        return self.service

    def crl(self) -> bytes:
        """Return the list of revoked certificates."""
        builder = x509.CertificateRevocationListBuilder(self.root.certificate.subject)
        builder = builder.last_update(self._today()).next_update(self._today() + 7 * DAY)
        for serial, when in self.revoked.items():
            one = x509.RevokedCertificateBuilder(serial, when).build()
            builder = builder.add_revoked_certificate(one)
        return builder.sign(self.root.key, hashes.SHA256()).public_bytes(_DER)

    def answer(self, raw: bytes) -> bytes:
        """Return the answer to a question by OCSP, signed by the authority itself."""
        asked = ocsp.load_der_ocsp_request(raw)
        when = self.revoked.get(asked.serial_number)
        builder = ocsp.OCSPResponseBuilder().add_response_by_hash(
            issuer_name_hash=asked.issuer_name_hash,
            issuer_key_hash=asked.issuer_key_hash,
            serial_number=asked.serial_number,
            algorithm=asked.hash_algorithm,
            cert_status=ocsp.OCSPCertStatus.REVOKED if when else ocsp.OCSPCertStatus.GOOD,
            this_update=self._today(),
            next_update=self._today() + 7 * DAY,
            revocation_time=when,
            revocation_reason=x509.ReasonFlags.key_compromise if when else None,
        )
        builder = builder.responder_id(ocsp.OCSPResponderEncoding.HASH, self.root.certificate)
        for extension in asked.extensions:
            if isinstance(extension.value, x509.OCSPNonce):
                builder = builder.add_extension(extension.value, critical=False)
        return builder.sign(self.root.key, hashes.SHA256()).public_bytes(_DER)

    def stamp(self, raw: bytes) -> bytes:
        """Return the answer to a question by RFC 3161."""
        assert self.service is not None
        plain = serialization.NoEncryption()
        key = self.service.key.private_bytes(_DER, serialization.PrivateFormat.PKCS8, plain)
        own = asn1_x509.Certificate.load(self.service.certificate.public_bytes(_DER))
        now = self.now or datetime.datetime.now(datetime.UTC).replace(microsecond=0)
        stamper = DummyTimeStamper(own, keys.PrivateKeyInfo.load(key), [own], fixed_dt=now)
        response = stamper.async_request_tsa_response(tsp.TimeStampReq.load(raw))
        return bytes(asyncio.run(response).dump())

    def _today(self) -> datetime.datetime:
        return datetime.datetime.now(datetime.UTC).replace(microsecond=0) - datetime.timedelta(minutes=1)

    def write(self, folder: Path) -> Path:
        """Write the root's certificate; return its path."""
        return self.root.write(folder, "root")


@contextmanager
def serving() -> Iterator[Authority]:
    """Serve an authority on the loopback address."""
    root = holder("Root", authority=True, usage=("key_cert_sign", "crl_sign", "digital_signature"), key=another_key())

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            raw = self.rfile.read(int(self.headers["Content-Length"]))
            if self.path.endswith("ocsp"):
                self._give(authority.answer(raw), "application/ocsp-response")
            else:
                self._give(authority.stamp(raw), "application/timestamp-reply")

        def do_GET(self) -> None:
            self._give(authority.crl(), "application/pkix-crl")

        def _give(self, content: bytes, kind: str) -> None:
            authority.asked.append(self.path)
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: object) -> None:
            del format, args

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    authority = Authority(f"http://127.0.0.1:{server.server_port}/", root)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield authority
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
