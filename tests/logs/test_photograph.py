"""The photograph of a unit: which file is taken, what is shown of it, and what wrong ones cost.

The pictures are made and looked at with Pillow alone; orientation is that of Exif 2.3, tag 0x0112.
"""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image

from rotorproof.errors import InputError
from rotorproof.logs import photograph


def picture(path: Path, size: tuple[int, int] = (400, 300), mode: str = "RGB", **keys: object) -> Path:
    image = Image.new(mode, size, "red" if mode != "RGBA" else (255, 0, 0, 255))
    image.paste("blue", (0, 0, size[0] // 2, size[1]))
    image.save(path, **keys)
    return path


def shown(path: Path) -> Image.Image:
    found = photograph.small(path, "U/photo")
    image = Image.open(io.BytesIO(found.content))
    assert image.format == "JPEG" and image.mode == "RGB" and image.size == (found.width, found.height)
    return image


def near(image: Image.Image, x: float, y: float, colour: tuple[int, int, int]) -> bool:
    there = image.getpixel((int(x * image.width), int(y * image.height)))
    assert isinstance(there, tuple)
    return all(abs(a - b) < 20 for a, b in zip(there, colour, strict=True))


@pytest.mark.parametrize("name", photograph.NAMES)
def test_a_photograph_becomes_a_small_copy_of_its_pixels_alone(tmp_path: Path, name: str) -> None:
    path = picture(tmp_path / name, (3000, 1500), **({"exif": _exif(1)} if name != "photo.png" else {}))
    image = shown(path)
    assert image.size == (720, 360)
    assert near(image, 0.25, 0.5, (0, 0, 255)) and near(image, 0.75, 0.5, (255, 0, 0))
    assert not image.getexif(), "neither place nor camera"
    assert photograph.in_folder(tmp_path) == path
    assert photograph.problems(tmp_path, "U") == []
    assert photograph.small(path, "U").content == photograph.small(path, "U").content


def _exif(orientation: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "camera"
    return exif


def test_a_camera_held_upright_shows_an_upright_unit(tmp_path: Path) -> None:
    # Orientation 6: the camera was turned left, so the picture must turn clockwise; its left side comes up on top.
    image = shown(picture(tmp_path / "photo.jpg", exif=_exif(6)))
    assert image.size == (300, 400)
    assert near(image, 0.5, 0.25, (0, 0, 255)) and near(image, 0.5, 0.75, (255, 0, 0))


def test_what_is_transparent_is_white_and_greys_are_shown(tmp_path: Path) -> None:
    Image.new("RGBA", (40, 40), (0, 0, 0, 0)).save(tmp_path / "photo.png")
    assert near(shown(tmp_path / "photo.png"), 0.5, 0.5, (255, 255, 255))
    Image.new("L", (40, 40), 100).save(tmp_path / "photo.jpg")
    assert near(shown(tmp_path / "photo.jpg"), 0.5, 0.5, (100, 100, 100))


def _huge_png() -> bytes:
    """Return a PNG of 20000 by 20000 black pixels in a few kilobytes (PNG 1.2, clause 3)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", 20000, 20000, 1, 0, 0, 0, 0)
    rows = zlib.compress(bytes(2501 * 20000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def _gif() -> bytes:
    made = io.BytesIO()
    Image.new("P", (9, 9)).save(made, "GIF")
    return made.getvalue()


def _cut() -> bytes:
    made = io.BytesIO()
    Image.effect_noise((300, 300), 90).save(made, "JPEG")
    return made.getvalue()[:4000]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no sound JPEG or PNG"),
        (b"not a picture at all", "no sound JPEG or PNG"),
        (_gif(), "no sound JPEG or PNG"),
        (_cut(), "no sound JPEG or PNG"),
        (_huge_png(), "more than 50 million pixels"),
        (bytes(photograph.MOST_BYTES + 1), "more than 8 MB"),
    ],
)
def test_a_wrong_photograph_is_a_warning_with_its_file(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "photo.jpg").write_bytes(content)
    (problem,) = photograph.problems(tmp_path, "U")
    assert words in problem.message and problem.file == "U/photo.jpg" and problem.severity == "warning"


def test_one_name_is_shown_and_the_others_are_named(tmp_path: Path) -> None:
    picture(tmp_path / "photo.png")
    first = picture(tmp_path / "photo.jpg")
    assert photograph.in_folder(tmp_path) == first
    (problem,) = photograph.problems(tmp_path, "U")
    assert problem.file == "U/photo.png"
    assert photograph.of_unit(["V/photo.jpg", "U/a.csv", "U/photo.png"], "U") == "U/photo.png"
    assert photograph.of_unit(["V/photo.jpg"], "U") is None


def test_no_link_leads_out_and_no_folder_is_a_picture(tmp_path: Path) -> None:
    folder = tmp_path / "U"
    folder.mkdir()
    assert photograph.in_folder(folder) is None and photograph.problems(folder, "U") == []
    (folder / "photo.jpg").symlink_to(picture(tmp_path / "elsewhere.jpg"))
    assert photograph.in_folder(folder) is None
    assert "no file of this folder" in photograph.problems(folder, "U")[0].message
    (folder / "photo.jpg").unlink()
    (folder / "photo.jpg").mkdir()
    assert photograph.in_folder(folder) is None
    assert "no file of this folder" in photograph.problems(folder, "U")[0].message
    with pytest.raises(InputError):
        photograph.small(folder / "photo.jpg", "U/photo.jpg")
