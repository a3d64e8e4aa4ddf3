"""The EMF waveform against mathematics and an independent spectrum.

Sources: Fourier series of the square, triangular and trapezoidal wave (mathematics; any handbook); total harmonic
distortion of a square wave sqrt(pi^2/8 - 1) = 48.34 %; sine: DC of a three-phase bridge (3/pi) peak;
``scipy.signal`` as an independent spectrum.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from rotorproof.errors import FitError
from rotorproof.physics import line_checks, thinning, waveform
from rotorproof.physics.phase import track
from rotorproof.physics.pole_pairs import Ratio, count_pole_pairs, speed_ratio
from tests.outside import Outside

MATHEMATICS = "Fourier series, mathematics"


def three_lines(first: np.ndarray) -> np.ndarray:
    """Return harmonics (H, 3) of lines a third of a turn apart from those of the first."""
    return waveform.complete(first[:, None], 1)


def odd_series(orders: int, power: int) -> np.ndarray:
    h = np.arange(1, orders + 1)
    return np.where(h % 2 == 1, -1j / h.astype(float) ** power, 0)


def test_distortion_of_a_square_and_a_triangle(outside: Outside) -> None:
    square = np.sqrt(waveform.distortion_squared(odd_series(20001, 1)[:, None]))
    outside(
        "emf_distortion",
        "distortion of a square wave",
        ours=float(square) * 100,
        published=100 * np.sqrt(np.pi**2 / 8 - 1),
        allowance=0.01,
        source=f"{MATHEMATICS}: sqrt(pi^2/8 - 1)",
        unit="percent",
    )
    triangle = np.sqrt(waveform.distortion_squared(odd_series(2001, 2)[:, None]))
    outside(
        "emf_distortion",
        "distortion of a triangular wave",
        ours=float(triangle) * 100,
        published=100 * np.sqrt(np.pi**4 / 96 - 1),
        allowance=0.001,
        source=f"{MATHEMATICS}: sqrt(pi^4/96 - 1)",
        unit="percent",
    )


def test_constants_of_a_sine(outside: Outside) -> None:
    peak, rms, dc = waveform.peak_rms_dc(three_lines(np.array([-2j, 0, 0])))
    for name, ours, published in (("peak", peak, 2.0), ("rms", rms, np.sqrt(2)), ("dc", dc, 6 / np.pi)):
        outside(
            f"emf_constant_{name}",
            f"{name} of a sine of amplitude 2",
            ours=float(ours),
            published=float(published),
            allowance=1e-5,
            source="identity: rms = peak/sqrt(2), dc = (3/pi) peak",
        )


def test_constants_of_a_trapezoid(outside: Outside) -> None:
    # Phase EMF flat over 120 degrees; between lines the crest of 2 is flat over 60 degrees.
    h = np.arange(1, 41)
    phase = np.where(h % 2 == 1, 4 / np.pi * 6 / np.pi * np.sin(h * np.pi / 6) / h**2, 0.0)
    line = -1j * phase * (1 - np.exp(-2j * np.pi / 3 * h))
    c = three_lines(line)
    top = waveform.corner_end(c, np.abs(c[:, 0]) > 0)
    peak, _, dc = waveform.peak_rms_dc(c, top)
    source = f"{MATHEMATICS}: flat-topped wave, dc = peak"
    outside("emf_constant_dc", "DC value of a trapezoid", ours=dc, published=2, allowance=0.001, source=source)
    outside("emf_constant_peak", "peak of a trapezoid", ours=peak, published=2, allowance=0.002, source=source)


def test_slot_harmonic_is_not_taken_for_a_corner() -> None:
    c = np.zeros(40, complex)
    c[[0, 4, 6, 10, 12, 16, 18, 34, 36]] = -1j * np.array([1, 0.05, 0.02, 0.01, 0.005, 0.003, 0.002, 0.02, 0.02])
    full = three_lines(c)
    assert waveform.corner_end(full, np.abs(full[:, 0]) > 0) == 0


@pytest.mark.parametrize("lines", [1, 2, 3])
@pytest.mark.parametrize("sequence", [1, -1])
def test_track_follows_a_speed_that_halves(lines: int, sequence: int) -> None:
    time = np.arange(20_000) / 10_000
    speed = 2 * np.pi * (80 - 20 * time)
    angle = 2 * np.pi * (80 * time - 10 * time**2) + 0.7
    shifts = (0, 2, 4) if sequence == 1 else (0, 4, 2)
    volts = np.stack([speed * np.sin(angle - k * np.pi / 3) for k in shifts])[:lines] + 3.0
    rng = np.random.default_rng(1)
    found = track(time, volts + rng.normal(0, 20, volts.shape))
    error = np.mod(found.angle - angle + np.pi, 2 * np.pi) - np.pi
    assert np.abs(error).max() < 0.08
    assert found.speed == pytest.approx(speed, rel=0.04)
    assert found.sequence == (0 if lines == 1 else sequence)


def test_track_agrees_with_an_independent_spectrum(outside: Outside) -> None:
    rng = np.random.default_rng(5)
    rate, hertz = 5000.0, 43.21
    time = np.arange(25_000) / rate
    x = 2 * np.pi * hertz * time
    volts = np.stack(
        [
            20 * np.sin(x - k) + 1.5 * np.sin(5 * (x - k) + 0.4) + 0.8 * np.sin(7 * (x - k)) + 0.3 * k
            for k in (0, 2 * np.pi / 3, 4 * np.pi / 3)
        ]
    )
    volts = volts + rng.normal(0, 0.2, volts.shape)
    turn = track(time, volts)
    c = waveform.coefficients([waveform.reduce(turn, volts, 40)])
    frequency, spectrum = signal.periodogram(volts[0], rate, "flattop", scaling="spectrum")

    def amplitude(order: int) -> float:
        near = np.abs(frequency - order * hertz) < 2
        return float(np.sqrt(2 * spectrum[near].max()))

    mean = float(turn.speed.mean())
    for order in (1, 5, 7):
        outside(
            "emf_distortion",
            f"amplitude of order {order} of a noisy wave",
            ours=abs(c.best[order - 1, 0]) * mean,
            published=amplitude(order),
            allowance=0.02,
            source="scipy.signal.periodogram with a flat-top window",
            unit="V",
        )


def test_polarity_dead_line_and_gains_are_told() -> None:
    x = np.linspace(0, 60, 6000)
    lines = np.stack([30 * np.sin(x - k) for k in (0, 2 * np.pi / 3, 4 * np.pi / 3)])
    names = ("ab", "bc", "ca")
    assert line_checks.check_lines(names, lines).findings == ()
    turned = line_checks.check_lines(names, lines * [[1], [-1], [1]])
    assert turned.signs == (1, -1, 1)
    assert "voltage_bc" in turned.findings[0]
    dead = line_checks.check_lines(names, lines * [[1], [1], [0.001]])
    assert dead.names == ("ab", "bc")
    assert "voltage_ca" in dead.findings[0]
    pair = line_checks.check_lines(names[:2], lines[:2] * [[1], [-1]])
    assert pair.signs == (1, -1)
    assert "gains" in line_checks.check_lines(names, lines * [[1], [1.08], [1]]).findings[0]
    with pytest.raises(FitError, match="probe factors"):
        line_checks.check_lines(names, lines * [[1], [10], [1]])
    with pytest.raises(FitError, match="third of a turn"):
        line_checks.check_lines(names[:2], np.stack([lines[0], lines[0]]))


def test_clipping_is_seen_and_crests_are_not_taken_for_it() -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(0, 80, 8000)
    for step in (0.0, 0.1, 0.5):
        for noise in (0.0, 0.2):
            wave = 20 * np.sin(x) + rng.normal(0, noise, x.size)
            wave = np.round(wave / step) * step if step else wave
            assert line_checks.clipped_share(wave) == 0
            assert line_checks.clipped_share(np.clip(wave, -25, 18)) > 0.05


@pytest.mark.parametrize(
    ("ratio", "scatter", "stated", "count"),
    [
        (22.98, 0.01, 0.0005, 23),
        (22.80, 0.01, 0.0005, None),  # 8 standard uncertainties from 23
        (22.80, 0.01, 0.004, 23),
        (22.80, 0.01, 0.02, None),  # 22, 23 and 24 are all possible
        (22.80, 0.01, None, 23),
        (22.60, 0.01, None, None),
        (0.30, 0.0, None, None),
    ],
)
def test_pole_pairs_are_whole_or_not_given(
    ratio: float, scatter: float, stated: float | None, count: int | None
) -> None:
    assert count_pole_pairs(Ratio(ratio, scatter, 20), stated).pole_pairs == count


def test_gear_divides_the_ratio() -> None:
    assert count_pole_pairs(Ratio(44.05, 0.02, 20), 0.001, 4.4).pole_pairs == 10


def test_ratio_scatter_is_that_of_independent_speed_readings() -> None:
    rng = np.random.default_rng(3)
    found = [speed_ratio([(230.0, 10 + e) for e in rng.normal(0, 0.1, 20)]) for _ in range(300)]
    spread = np.std([r.value for r in found])
    assert np.sqrt(np.mean([r.scatter**2 for r in found])) == pytest.approx(spread, rel=0.12)


def test_averaging_a_long_record_changes_no_harmonic() -> None:
    x = 2 * np.pi * 5 * np.arange(400_000) / 200_000 + 0.3
    lines = np.stack([np.sin(x - k) + 0.2 * np.sin(37 * (x - k)) for k in (0, 2 * np.pi / 3, 4 * np.pi / 3)])
    m = thinning.first_factor(lines)
    assert m > 1
    time = np.arange(400_000) / 200_000
    turn = track(thinning.thinned(time, 60), thinning.thinned(lines, 60))
    c = waveform.coefficients([waveform.reduce(turn, thinning.thinned(lines, 60), 40, 60)])
    assert abs(c.best[36, 0]) / abs(c.best[0, 0]) == pytest.approx(0.2, rel=2e-3)


def test_a_wave_faster_than_the_averaging_is_left_alone() -> None:
    x = 2 * np.pi * np.arange(400_000) / 8.001
    assert thinning.first_factor(np.stack([np.sin(x), np.sin(x - 2)])) == 1
