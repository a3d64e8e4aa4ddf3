"""Sign a unit's report, and archive it with everything it was made from.

The report must be that of the present logs, settings and software, and free of errors; run `report` first and
look at it. The signed report goes to reports/archive/UNIT/r1 (r2, ... for later ones) and is never changed but for
time stamps added later.
Where readings look as if a unit or a scale were wrong, that is said before the passphrase is asked for; to sign is
still the signer's choice.
A criterion that did not pass can be waived with a reason; the waiver stands on page 1. Where a criterion was not
measured, it must be waived, or the unit signed as incomplete with --incomplete and a reason. A unit that was signed
before needs --because: why a new report replaces the old one.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from ..errors import InputError, Problem
from ..jsonio import read_json
from ._passphrase import ask, from_file
from ._project import ROOT, as_asked, overrides

if TYPE_CHECKING:
    from pyhanko.sign.signers import SimpleSigner

    from ..evidence.archive import Render, Reported
    from ..evidence.attachments import Attachment
    from ..evidence.signoff import SignOff
    from ..workflow import RunPlan


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's arguments."""
    parser.add_argument("unit", metavar="UNIT", help="the unit whose report is signed")
    parser.add_argument("--name", help="who signs (default: the name in the certificate)")
    parser.add_argument("--role", required=True, help="in what role, e.g. 'workshop manager'")
    parser.add_argument("--remarks", help="text to stand beside the signature")
    parser.add_argument(
        "--waive",
        action="append",
        default=[],
        metavar="QUANTITY=REASON",
        help="let a criterion through that did not pass",
    )
    parser.add_argument(
        "--incomplete", metavar="REASON", help="sign although criteria were not measured, and say why that is enough"
    )
    parser.add_argument("--because", metavar="REASON", help="why this report replaces the one signed before")
    parser.add_argument(
        "--certificate", type=Path, metavar="FILE", help="PKCS#12 or PEM (default: the one `certificate` made)"
    )
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key (PEM) that belongs to a PEM certificate")
    parser.add_argument("--passphrase-file", type=Path, metavar="FILE", help="read the passphrase from its first line")
    parser.add_argument("--timestamp", metavar="URL", help="time stamp service (RFC 3161) to prove when it was signed")
    parser.add_argument(
        "--long-term",
        action="store_true",
        help="put in what the authorities say of the certificates, and a time stamp over all (with --timestamp)",
    )
    parser.add_argument(
        "--trust",
        action="append",
        default=[],
        type=Path,
        metavar="FILE",
        help="the certificate of an authority, of the signer or the time stamp service, PEM or DER (for --long-term)",
    )
    parser.add_argument("--config", nargs="+", default=[], metavar="KEY=VALUE", help="as given to `report`")


def run(args: argparse.Namespace) -> int:
    """Sign and archive."""
    from ..evidence.archive import Statement, sign_report
    from ..evidence.certificate import default_folder
    from ..evidence.freshness import stale
    from ..evidence.signature import load_signer, quiet_libraries
    from ..evidence.trust import read_certificates
    from ..rendering.words import verdict_doubt
    from ..workflow import RunPlan

    quiet_libraries()
    plan = RunPlan.load(ROOT, overrides(args.config))
    waivers = _waivers(args.waive)
    _check_lengths(args)
    if args.long_term and not args.timestamp:
        raise InputError(Problem("--long-term needs a time stamp service: give its address with --timestamp"))
    authorities = read_certificates(args.trust) if args.long_term else None
    reports = ROOT / plan.reports
    reported, made, wildcards = _reported(plan, reports, args.unit, args.config)
    configuration = plan.configuration(wildcards)
    stages = read_json(made["stages.json"])
    problems = stale(reported.evidence, stages, inputs=reported.inputs, configuration=configuration, made=made)
    if problems:
        raise InputError(problems)
    print(f"{args.unit}: {reported.results.verdict}, {len(reported.results.criteria)} criteria", file=sys.stderr)
    # Signing is the signer's choice; that readings are doubted is said before the passphrase is asked for.
    if said := verdict_doubt(reported.results):
        print(f"warning: {args.unit}: {said}", file=sys.stderr)
    certificate = args.certificate or default_folder() / "certificate.p12"
    signer = load_signer(certificate, args.key, _passphrase(args, certificate))
    name = (args.name or _name_of(signer)).strip()
    statement = Statement(name, args.role.strip(), args.remarks, waivers, args.because, args.incomplete)
    if authorities is not None:
        # A certificate of the workshop's own stands for itself.
        own = signer.signing_cert
        authorities = [*authorities, *([own] if own is not None and own.self_signed != "no" else [])]
    revision = sign_report(reports, reported, statement, signer, _renderer(reported, made), args.timestamp, authorities)
    _renew_register(plan, reports)
    signed = revision.sign_off()
    print(f"{args.unit} r{revision.number}  {signed.verdict}  signed by {signed.name}, {signed.role}")
    if said:
        print(f"{'doubt':<8}{said}")
    print(f"{'report':<8}{os.path.relpath(revision.report)}")
    print(f"{'verify':<8}make verify ARCHIVE={os.path.relpath(revision.folder)}")
    return 0


def _check_lengths(args: argparse.Namespace) -> None:
    if not args.role.strip():
        raise InputError(Problem("--role is empty; say in what role you sign"))
    if args.name is not None and not args.name.strip():
        raise InputError(Problem("--name is empty; say who signs, or leave it out for the name in the certificate"))
    for name, most in (("name", 100), ("role", 100), ("remarks", 600), ("because", 600), ("incomplete", 600)):
        if len(getattr(args, name) or "") > most:
            raise InputError(Problem(f"--{name} takes at most {most} letters, so that it fits on page 1"))


def _waivers(pairs: list[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for pair in pairs:
        quantity, separator, reason = pair.partition("=")
        if not separator or not reason.strip():
            raise InputError(Problem(f"--waive takes QUANTITY=REASON, and the reason may not be empty: {pair!r}"))
        found[quantity.strip()] = reason
    return found


def _reported(plan: RunPlan, reports: Path, unit: str, config: Sequence[str]) -> tuple[Reported, dict[str, Path], Any]:
    from ..decision.models import Results
    from ..evidence.archive import Reported
    from ..evidence.record import read_evidence

    if unit in plan.refused:
        raise InputError([Problem(**problem) for problem in plan.refused[unit]])
    if unit not in plan.units:
        raise InputError(Problem(f"there is no unit {unit!r}; there are: {', '.join(plan.units) or 'none'}"))
    wildcards = SimpleNamespace(unit=unit)
    folder, work = reports / unit, reports / ".work" / unit
    made = {
        "results.json": folder / "results.json",
        "figures": folder / "figures",
        "fit.json": work / "fit.json",
        "readings.npz": work / "readings.npz",
        "stages.json": work / "stages.json",
    }
    evidence = folder / "evidence.json"
    command = f"'make report UNIT={unit}{as_asked(config)}'"
    if not evidence.is_file() or not all(path.exists() for path in made.values()):
        raise InputError(Problem(f"{unit} has no report yet; run {command} and look at it first"))
    try:
        proof, results = read_evidence(evidence.read_bytes()), Results.read(made["results.json"])
    except (ValueError, RecursionError):
        problem = f"results.json or evidence.json of {unit} cannot be read; run {command} again"
        raise InputError(Problem(problem)) from None
    return (
        Reported(
            unit=unit,
            results=results,
            results_path=made["results.json"],
            evidence=proof,
            evidence_path=evidence,
            figures=made["figures"],
            inputs={name: Path(path) for name, path in plan.inputs(wildcards).items()},
        ),
        made,
        wildcards,
    )


def _passphrase(args: argparse.Namespace, certificate: Path) -> bytes | None:
    from ..evidence.signature import needs_passphrase

    if args.passphrase_file:
        return from_file(args.passphrase_file)
    return ask(str(args.key or certificate)) if needs_passphrase(certificate, args.key) else None


def _name_of(signer: SimpleSigner) -> str:
    certificate = signer.signing_cert
    assert certificate is not None
    return str(certificate.subject.native.get("common_name") or certificate.subject.human_friendly)


def _renderer(reported: Reported, made: dict[str, Path]) -> Render:
    from ..evidence.record import evidence_attachments
    from ..fitting.store import load_fit
    from ..logs.store import load_readings
    from ..rendering.report import report_pdf

    def render(sign_off: SignOff) -> tuple[bytes, list[Attachment]]:
        proof = reported.evidence
        attachments = evidence_attachments(
            reported.results_path.read_bytes(), reported.evidence_path.read_bytes(), proof, reported.inputs
        )
        pdf, _ = report_pdf(
            unit=proof.configuration["unit"],
            results=reported.results,
            readings=load_readings(made["readings.npz"]),
            fit=load_fit(made["fit.json"]),
            figures=reported.figures,
            proof=proof,
            inputs=reported.inputs,
            sign_off=sign_off.model_dump(),
        )
        return pdf, attachments

    return render


def _renew_register(plan: RunPlan, reports: Path) -> None:
    """Show the new revision in the register, as the next run of `report` would."""
    from ..rendering.register import write_register

    have = [unit for unit in plan.all_units if (reports / unit["unit"] / "results.json").is_file()]
    signed = (*plan.units, *plan.refused)
    write_register(units=have, refused=plan.refused, signed=signed, reports=reports, comparisons=plan.comparisons)
