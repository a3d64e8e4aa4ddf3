"""Sound-card captures: samples as fractions of full scale, time from the sample rate."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from ..errors import InputError, Problem
from ..settings.layout import Layout
from .chunks import LogStream
from .mapping import Channel
from .recording import damaged, in_pieces, recording


def open_log(path: Path, layout: Layout, wanted: Sequence[str], shown: str) -> LogStream:
    """Open a WAV file. Its channels are ``1``, ``2``, ... and a sample is 1 at full scale.

    The layout's ``scale`` turns full scale into volts at the probe. Raises ``InputError``.
    """
    if layout.columns is None:
        raise InputError(
            Problem(
                "a WAV file knows no units; write a layout that gives each channel its column number, unit and scale",
                file=shown,
            )
        )
    _check_whole(path, shown)
    rate, samples = _read(path, shown)
    samples = samples[:, None] if samples.ndim == 1 else samples
    if rate <= 0 or samples.shape[0] == 0:
        raise InputError(Problem("the WAV file holds no samples; record again", file=shown))
    zero, full = _scale(samples.dtype)

    def blocks(positions: Sequence[int]) -> Iterator[Sequence[np.ndarray]]:
        def read(start: int, stop: int) -> Sequence[np.ndarray]:
            return [(samples[start:stop, position].astype(np.float64) - zero) / full for position in positions]

        return in_pieces(samples.shape[0], read)

    channels = [Channel(str(number)) for number in range(1, samples.shape[1] + 1)]
    return recording(channels, layout, wanted, shown, blocks, step=1.0 / rate)


def _check_whole(path: Path, shown: str) -> None:
    """Refuse a file shorter than its head says; the reader would return what is there without a word."""
    with path.open("rb") as stream:
        head = stream.read(12)
    size = int.from_bytes(head[4:8], "big" if head.startswith(b"RIFX") else "little")
    # A recorder that wrote to a pipe leaves 0 or all ones; RF64 keeps the size elsewhere.
    if head.startswith(b"RF64") or size in (0, 0xFFFFFFFF):
        return
    if path.stat().st_size < size + 8:
        raise damaged(EOFError(f"it is cut off: {path.stat().st_size} bytes of {size + 8}"), "WAV", shown)


def _read(path: Path, shown: str) -> tuple[int, np.ndarray]:
    from scipy.io import wavfile

    with warnings.catch_warnings():
        # Chunks of other programs (cue points, names) are none of a log's business.
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        try:
            return wavfile.read(path, mmap=True)
        except ValueError as mapped:
            if "mmap" not in str(mapped):
                raise damaged(mapped, "WAV", shown) from None
        except Exception as error:  # a damaged head raises whatever comes first
            raise damaged(error, "WAV", shown) from None
        try:
            return wavfile.read(path)
        except Exception as error:
            raise damaged(error, "WAV", shown) from None


def _scale(dtype: np.dtype) -> tuple[float, float]:
    """Return the code at zero and the codes to full scale; 24 bits come left-justified in 32."""
    if dtype.kind == "u":
        return 128.0, 128.0
    if dtype.kind == "i":
        return 0.0, float(2 ** (8 * dtype.itemsize - 1))
    return 0.0, 1.0
