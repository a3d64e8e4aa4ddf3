"""From HTML to PDF: tagged, for archives, and the same bytes for the same content on every computer."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Mapping
from typing import Any

from .style import font_files
from .tagging import mend
from .vector import Figure, UnknownSvgError, translated

#: Identifies the file as PDF/UA-1 beside PDF/A-3a, and describes the property as PDF/A asks (ISO 19005-3, 6.6.2.3).
_PDF_UA = b"""<rdf:Description rdf:about="" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/"><pdfuaid:part>1</pdfuaid:part>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/"
 xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">
<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">
<pdfaSchema:schema>PDF/UA identification</pdfaSchema:schema>
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>
<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">
<pdfaProperty:name>part</pdfaProperty:name><pdfaProperty:valueType>Integer</pdfaProperty:valueType>
<pdfaProperty:category>internal</pdfaProperty:category>
<pdfaProperty:description>part of ISO 14289</pdfaProperty:description>
</rdf:li></rdf:Seq></pdfaSchema:property></rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>
"""
_RDF_END = b"</rdf:RDF>"


class Printer:
    """Prints documents of one style; all have the same fonts, which take longer to open than a page to lay out."""

    def __init__(self, css: str) -> None:
        """Take the style sheet."""
        import weasyprint
        from weasyprint.text.fonts import FontConfiguration

        faces, self._letters = font_faces()
        self._fonts = FontConfiguration()
        self._style = weasyprint.CSS(
            string=f"{faces}\n{css}", font_config=self._fonts, url_fetcher=_fetcher(self._letters)
        )

    def pdf(self, html: str, *, images: Mapping[str, bytes], identifier: str, packed: bool = True) -> bytes:
        """Return the PDF (PDF/A-3a and PDF/UA-1) of ``html``.

        ``images`` maps the file names in ``src="figure:..."`` to SVG, or JPEG by their ending; nothing else can be
        loaded. The hour of rendering is nowhere in the file; the document's own metadata carry the date of its content.
        Where files are attached next, which packs all streams, it need not be ``packed`` here.
        Raises ``weasyprint.urls.FatalURLFetchingError`` if the document asks for anything else.
        """
        import weasyprint

        known = self._letters | {
            f"figure:{name}": ("image/jpeg" if name.endswith(".jpg") else "image/svg+xml", content)
            for name, content in images.items()
        }
        document = weasyprint.HTML(string=html, url_fetcher=_fetcher(known), base_url="about:blank").render(
            stylesheets=[self._style], font_config=self._fonts, pdf_variant="pdf/a-3a", cache=_translated(images)
        )
        with warnings.catch_warnings():
            # The library leaves the colour profile's file to the garbage collector.
            warnings.simplefilter("ignore", ResourceWarning)
            pdf: bytes = document.write_pdf(
                pdf_variant="pdf/a-3a",
                pdf_identifier=identifier.encode(),
                finisher=_finish,
                uncompressed_pdf=not packed,
            )
        return pdf


def write(html: str, css: str, *, images: Mapping[str, bytes], identifier: str, packed: bool = True) -> bytes:
    """Return the PDF of one document styled by ``css``, as ``Printer`` makes it."""
    return Printer(css).pdf(html, images=images, identifier=identifier, packed=packed)


def _fetcher(known: Mapping[str, tuple[str, bytes]]) -> Any:
    from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse

    class Fetcher(URLFetcher):  # type: ignore[misc]
        """Hands out what is known and refuses all else, network and files alike."""

        def fetch(self, url: str, headers: Any = None) -> Any:
            del headers
            if url not in known:
                raise FatalURLFetchingError(f"a report may not load {url!r}")
            kind, content = known[url]
            return URLFetcherResponse(url, body=content, headers={"Content-Type": kind})

    return Fetcher()


def font_faces() -> tuple[str, dict[str, tuple[str, bytes]]]:
    """Return the style sheet that names our fonts, and their type and content by the addresses in it."""
    known, faces = {}, []
    for number, file in enumerate(font_files()):
        known[f"font:{number}"] = ("font/ttf", file.path.read_bytes())
        faces.append(
            f"@font-face {{ font-family: '{file.family}'; font-weight: {file.weight}; font-style: {file.slope}; "
            f"src: url('font:{number}') }}"
        )
    return "\n".join(faces), known


def _translated(images: Mapping[str, bytes]) -> dict[str, Figure]:
    """Return the figures that need no general renderer, by the address under which a page asks for them."""
    found = {}
    for name, content in images.items():
        if name.endswith(".jpg"):
            continue
        with contextlib.suppress(UnknownSvgError):
            found[f"figure:{name}"] = translated(content)
    return found


def _finish(document: Any, pdf: Any) -> None:
    """Put right what the tags lack, and write the second conformance into the one block of metadata there is."""
    mend(document, pdf)
    for entry in pdf.objects:
        if getattr(entry, "extra", {}).get("Type") == "/Metadata":
            (text,) = entry.stream
            entry.stream = [text.replace(_RDF_END, _PDF_UA + _RDF_END)]
    _join(pdf)


def _join(pdf: Any) -> None:
    """Make one piece of the words of each stream: the library puts them together twice, once for the file's number."""
    import pydyf

    for entry in pdf.objects:
        if isinstance(entry, pydyf.Stream):
            entry.stream = [b"\n".join(map(pydyf._to_bytes, entry.stream))]
