"""The photograph of a unit, if one lies in its folder: which file it is, whether it can be shown, and a small copy.

It comes from a stranger as a log does: size and pixels are limited, two formats are read, and a process of its own
decodes it under limits. The copy holds pixels alone: neither the place nor the camera that the file may name.
"""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NoReturn

from ..bounded import Limits, bounded
from ..errors import InputError, Problem
from ..files import is_readable, is_regular, lies_within, open_regular

#: The names under which a photograph lies in the folder of its unit; the first that is there is shown.
NAMES: Final = ("photo.jpg", "photo.jpeg", "photo.png")
#: Larger files, and pictures of more pixels, are not shown.
MOST_BYTES: Final = 8_000_000
MOST_PIXELS: Final = 50_000_000
#: Pixels of the copy at most, across and down: sharp in print at the size of a page's corner.
_ACROSS, _DOWN = 720, 540
_LIMITS: Final = Limits(memory=3 * 1024**3, seconds=30)
_FORMATS = ("JPEG", "PNG")
_QUALITY = 85


@dataclass(frozen=True)
class Photograph:
    """A small copy as a JPEG, and its size in pixels."""

    content: bytes
    width: int
    height: int


def in_folder(folder: Path) -> Path | None:
    """Return the photograph in the folder of a unit, if there is one that may be shown and kept, whatever it holds."""
    found = _named(folder)
    return found[0] if found and not _refused(found[0], folder) else None


def problems(folder: Path, unit: str) -> list[Problem]:
    """Return why the photograph of a unit cannot be shown; without one, nothing."""
    return [*left_out(folder, unit), *unsound(folder, unit)]


def left_out(folder: Path, unit: str) -> list[Problem]:
    """Return which photographs are not kept with the report, and why.

    No list of inputs holds such a file, so results must not speak of it: whoever computes them again has it not.
    """
    found = _named(folder)
    if not found:
        return []
    path, *others = found
    said = [
        _warning(f"{path.name} is the photograph that is shown; take this one away", f"{unit}/{other.name}")
        for other in others
    ]
    if why := _refused(path, folder):
        said.append(_warning(f"the photograph is not shown: {why}", f"{unit}/{path.name}"))
    return said


def unsound(folder: Path, unit: str) -> list[Problem]:
    """Return why the photograph that is kept with the report cannot be shown, if it cannot."""
    path = in_folder(folder)
    if path is None:
        return []
    try:
        small(path, f"{unit}/{path.name}")
    except InputError as error:
        return [_warning(one.message, one.file) for one in error.problems]
    return []


def _warning(message: str, file: str | None) -> Problem:
    return Problem(message, file, severity="warning")


def small(path: Path, shown: str) -> Photograph:
    """Return a small copy of a photograph; ``shown`` is its name in messages.

    Raises ``InputError`` for a file that is no sound JPEG or PNG, or too large once unpacked.
    """
    try:
        with open_regular(path) as stream:
            raw = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(Problem(f"the photograph cannot be read: {error}", shown)) from None
    try:
        found = bounded(lambda: _decoded(raw), _LIMITS, "reading the photograph")
    except InputError as error:
        raise InputError([Problem(one.message, shown) for one in error.problems]) from None
    return Photograph(base64.b64decode(found["content"]), int(found["width"]), int(found["height"]))


def _named(folder: Path) -> list[Path]:
    return [path for name in NAMES if os.path.lexists(path := folder / name)]


def _refused(path: Path, folder: Path) -> str:
    """Return why a file is not even opened as a picture, "" if it is."""
    if not lies_within(path, folder) or not is_regular(path):
        return "it is no file of this folder"
    if not is_readable(path):
        return "it cannot be read; give yourself the right to read it"
    if path.stat().st_size > MOST_BYTES:
        return f"it has more than {MOST_BYTES // 1_000_000} MB; make it smaller"
    return ""


def _decoded(raw: bytes) -> dict[str, Any]:
    import warnings

    from PIL import Image, ImageFile, ImageOps

    ImageFile.LOAD_TRUNCATED_IMAGES = False  # the renderer of pages sets it; this process is a fork of its own
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of pictures of many pixels: they are counted here
            with Image.open(io.BytesIO(raw), formats=_FORMATS) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    raise Image.DecompressionBombError
                picture.draft("RGB", (_ACROSS, _DOWN))  # a JPEG is unpacked no larger than is of use
                upright = ImageOps.exif_transpose(picture)
                plain = _on_white(upright)
    except Image.DecompressionBombError:
        _refuse(f"it has more than {MOST_PIXELS // 1_000_000} million pixels; make it smaller")
    except (OSError, ValueError, SyntaxError, EOFError) as error:
        _refuse(f"it is no sound JPEG or PNG ({error}); save it anew")
    plain.thumbnail((_ACROSS, _DOWN), Image.Resampling.LANCZOS)
    made = io.BytesIO()
    plain.save(made, "JPEG", quality=_QUALITY)
    return {"content": base64.b64encode(made.getvalue()).decode(), "width": plain.width, "height": plain.height}


def _on_white(picture: Any) -> Any:
    """Return the picture in plain colours, what is transparent in it white."""
    from PIL import Image

    if not picture.has_transparency_data:
        return picture.convert("RGB")
    seen = picture.convert("RGBA")
    ground = Image.new("RGBA", seen.size, "white")
    return Image.alpha_composite(ground, seen).convert("RGB")


def _refuse(why: str) -> NoReturn:
    raise InputError(Problem(f"the photograph is not shown: {why}"))


def of_unit(names: Iterable[str], unit: str) -> str | None:
    """Return the photograph of a unit among the names of its inputs."""
    there = set(names)
    return next((name for one in NAMES if (name := f"{unit}/{one}") in there), None)
