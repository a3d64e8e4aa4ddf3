"""Outside values for the constants of a motor that is driven, and their identities.

Sources: gym-electric-motor 3.0.3 (torque of its machine under six-step currents, its EMF); NEMA MG 1, 14.36; IEC
60034-8; Fourier series (mathematics); maxima of drawn waves; examples worked by hand, whose figures stand beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy
from gym_electric_motor.physical_systems.electric_motors import (
    DcPermanentlyExcitedMotor,
    PermanentMagnetSynchronousMotor,
)
from scipy import fft

from rotorproof.physics import thinning, waveform
from rotorproof.procedures import procedures
from tests.outside import Outside
from tests.procedures.runs import outcome
from tests.proof.cases import DRAWN, EMF_RATE, GYM, HAND, IN_DEGREES, PSI, SPEED, P, driven, single, values


def six_step_torque_per_ampere() -> float:
    """Return the mean torque of the simulated machine for 1 A through two terminals over the best 60 degrees."""
    machine = PermanentMagnetSynchronousMotor(
        motor_parameter={"p": P, "l_d": 2e-4, "l_q": 2e-4, "j_rotor": 0.01, "r_s": 0.1, "psi_p": PSI}
    )
    angles = (np.arange(3600) + 0.5) * 2 * np.pi / 3600
    # Amplitude-invariant transformation of the currents (1, -1, 0) to the q axis of a rotor at each angle.
    q = -2 / 3 * (np.sin(angles) - np.sin(angles - 2 * np.pi / 3))
    torque = np.array([float(machine.torque([0.0, i, 0.0])) for i in q])
    best = int(np.argmax(torque))
    window = (best + np.arange(-300, 300)) % 3600
    return float(torque[window].mean())


def test_torque_per_ampere_of_six_step_currents(outside: Outside) -> None:
    found = single("open-circuit", driven(), {"speed": SPEED})
    published = six_step_torque_per_ampere()
    outside(
        "torque_constant",
        "from the EMF alone: torque per ampere of direct current under six-step currents",
        ours=found["torque_constant"],
        published=published,
        allowance=2e-5 * published,
        unit="N m/A",
        source=f"{GYM}, torque of a PermanentMagnetSynchronousMotor with six-step currents",
    )


def test_speed_per_volt(outside: Outside) -> None:
    found = single("open-circuit", driven(), {"speed": SPEED})
    # A commutator machine that makes the same torque per ampere: its speed per volt at no current.
    machine = DcPermanentlyExcitedMotor(
        motor_parameter={"r_a": 0.1, "l_a": 1e-3, "psi_e": six_step_torque_per_ampere(), "j_rotor": 0.01}
    )
    slope = [float(np.ravel(machine.electrical_ode(np.zeros(1), [1.0], w))[0]) for w in (0.0, 1.0)]
    balance = slope[0] / (slope[0] - slope[1])  # rad/s at which 1 V drives no current
    outside(
        "speed_constant",
        "revolutions per minute per volt without current",
        ours=found["speed_constant"] * 30 / np.pi,
        published=balance * 9.549296586,
        allowance=3e-5 * balance * 9.5493,
        unit="rpm/V",
        source=f"{GYM}, DcPermanentlyExcitedMotor; 60/(2 pi) = 9.549297",
    )


def test_ratio_of_the_speeds(outside: Outside) -> None:
    found = single("open-circuit", driven(), {"speed": SPEED})
    outside(
        "pole_pair_ratio",
        "31.513 Hz at 171.887 rpm",
        ours=found["pole_pair_ratio"],
        published=31.51268 * 60 / 171.88734,
        allowance=1e-4,
        source="n = f/p (IEC 60050-411); worked by hand",
    )


@pytest.mark.parametrize(("order", "sequence"), [("abc", 1), ("acb", -1)])
def test_order_of_the_phases(outside: Outside, order: str, sequence: int) -> None:
    outside(
        "phase_sequence",
        f"phases peak in the order {'-'.join(order.upper())}",
        ours=single("open-circuit", driven(order), {"speed": SPEED})["phase_sequence"],
        published=sequence,
        allowance=0,
        source="IEC 60034-8, direction of rotation by the order of the phases, from memory",
    )


def test_unbalance_of_the_worked_example(outside: Outside) -> None:
    # Three phasors of 460, 467 and 450 that close to a triangle, as line-to-line voltages do.
    ab, bc, ca = 460.0, 467.0, 450.0
    inner_b = np.arccos((ab**2 + bc**2 - ca**2) / (2 * ab * bc))
    phasors = np.array([ab, -bc * np.exp(1j * inner_b)])
    phasors = np.append(phasors, -phasors.sum())
    if np.imag(phasors[1] / phasors[0]) > 0:
        phasors = phasors.conj()
    time = np.arange(8000) / EMF_RATE
    waves = np.real(phasors[:, None] * np.exp(1j * P * SPEED * time)) / 40
    columns = {"time": time, **dict(zip(("voltage_ab", "voltage_bc", "voltage_ca"), waves, strict=True))}
    outside(
        "emf_unbalance",
        "line-to-line values of 460, 467 and 450: 9 from a mean of 459",
        ours=100 * single("open-circuit", columns, {"speed": SPEED})["emf_unbalance"],
        published=1.96,
        allowance=0.005,
        unit="percent",
        source="NEMA MG 1, 14.36, worked example, from memory",
    )


def test_pole_pairs_behind_a_gear(outside: Outside) -> None:
    # 11 periods per turn of the output shaft, as a motor of 2 pole pairs behind 5.5:1 shows them.
    found = single("open-circuit", driven(), {"speed": SPEED}, nameplate_gear_ratio=5.5)
    for name, what, published in (
        ("pole_pair_ratio", "periods per turn of the output shaft", 11.0),
        ("pole_pairs", "pole pairs of the motor itself", 2.0),
    ):
        outside(
            name,
            f"11 periods per output turn behind a gear of 5.5: {what}",
            ours=found[name],
            published=published,
            allowance=1e-4 if name == "pole_pair_ratio" else 0,
            source="pole pairs seen from the output are pole pairs times the ratio; " + IN_DEGREES,
        )


def test_speed_constant_times_torque_constant(outside: Outside) -> None:
    found = single("open-circuit", driven(), {"speed": SPEED})
    outside(
        "speed_constant",
        "speed constant in rpm/V times torque constant in N m/A",
        ours=found["speed_constant"] * 30 / np.pi * found["torque_constant"],
        published=9.549296586,
        allowance=1e-8,
        source="identity 60/(2 pi), as handbooks print it: 9.549",
    )


@pytest.mark.parametrize(("shape", "rms", "dc"), [("sine", 0.70710678, 0.95492966), ("trapezoid", 0.74535599, 1.0)])
def test_shares_of_the_peak(outside: Outside, shape: str, rms: float, dc: float) -> None:
    # Phases flat over 120 degrees make lines that are flat over 60 and straight over 120 between: of the squared peak
    # 1/3 + 2/3 x 1/3 = 5/9. One line or its opposite is always at its flat top.
    time = np.arange(8000) / EMF_RATE
    turns = P * SPEED * time / (2 * np.pi)
    columns = {"time": time}
    phases = []
    for k in range(3):
        x = np.mod(turns - k / 3, 1.0) * 360
        flat = np.interp(x, [0, 30, 150, 210, 330, 360], [0, 1, 1, -1, -1, 0])
        phases.append(6.0 * (np.sin(np.radians(x)) if shape == "sine" else flat))
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = phases[k] - phases[(k + 1) % 3]
    found = single("open-circuit", columns, {"speed": SPEED})
    for name, share in (("emf_constant_rms", rms), ("emf_constant_dc", dc)):
        outside(
            name,
            f"share of the peak from line to line, {shape}",
            ours=found[name] / found["emf_constant_peak"],
            published=share,
            allowance=2e-4 if shape == "sine" else 0.004,
            source="mathematics: 1/sqrt(2) and 3/pi" if shape == "sine" else "mathematics: sqrt(5)/3 and 1",
        )


@pytest.mark.parametrize(("turns", "uneven"), [(5.3, 0.0), (40.0, 0.3)])
def test_emf_of_few_turns_or_uneven_readings(outside: Outside, turns: float, uneven: float) -> None:
    """The speed falls by 10 % over the record; the machine makes 0.2 V s per electrical radian."""
    rng = np.random.default_rng(6)
    n = int(120 * turns)
    time = 7.0 + (np.arange(n) + uneven * rng.uniform(-1, 1, n)) * 1e-3
    since = time - 7.0
    span = n * 1e-3
    speed = 2 * np.pi * turns / span * (1.05 - 0.1 * since / span)
    angle = 2 * np.pi * turns / span * (1.05 * since - 0.05 * since**2 / span) + 2.1
    columns = {"time": time, "speed": speed / P}
    for k, line in enumerate(("ab", "bc", "ca")):
        columns[f"voltage_{line}"] = 0.2 * speed * np.sin(angle - k * 2 * np.pi / 3)
    found = values("open-circuit", [(columns, {})])
    # A wrong electrical speed cancels from constants per mechanical speed, but not from the ratio.
    outside(
        "pole_pair_ratio",
        f"{turns:g} electrical turns while the speed falls by 10 %, readings uneven by {uneven:g} of a step",
        ours=found["pole_pair_ratio"],
        published=P,
        allowance=2e-3,
        source="n = f/p (IEC 60050-411); " + DRAWN,
    )
    for name, factor in (("peak", 1.0), ("rms", np.sqrt(0.5)), ("dc", 3 / np.pi)):
        outside(
            f"emf_constant_{name}",
            f"{turns:g} electrical turns while the speed falls by 10 %, readings uneven by {uneven:g} of a step",
            ours=found[f"emf_constant_{name}"],
            published=0.2 * P * factor,
            allowance=1e-3 * 0.2 * P * factor,
            unit="V s/rad",
            source="d(flux)/dt; " + DRAWN,
        )


def test_meters_off_their_zero(outside: Outside) -> None:
    columns = driven()
    for line, offset in (("ab", 0.5), ("bc", -0.3), ("ca", 0.2)):
        columns[f"voltage_{line}"] = columns[f"voltage_{line}"] + offset
    found = values("open-circuit", [(columns, {"speed": SPEED})])
    for name, factor in (("peak", np.sqrt(3)), ("rms", np.sqrt(1.5)), ("dc", np.sqrt(3) * 3 / np.pi)):
        outside(
            f"emf_constant_{name}",
            f"{P} pole pairs of {1e3 * PSI:g} mV s, voltmeters off by 0.5, -0.3 and 0.2 V",
            ours=found[f"emf_constant_{name}"],
            published=factor * P * PSI,
            allowance=2e-5 * factor * P * PSI,
            unit="V s/rad",
            source="p psi omega per phase, identities of the sine; " + HAND,
        )


@pytest.mark.parametrize("lines", [("ab", "bc"), ("bc", "ca"), ("ab",)])
def test_fewer_lines(outside: Outside, lines: tuple[str, ...]) -> None:
    columns = {name: v for name, v in driven().items() if name == "time" or name[-2:] in lines}
    found = values("open-circuit", [(columns, {"speed": SPEED})])
    for name, factor in (("peak", math.sqrt(3)), ("rms", math.sqrt(1.5)), ("dc", math.sqrt(3) * 3 / math.pi)):
        outside(
            f"emf_constant_{name}",
            f"{P} pole pairs of {1e3 * PSI:g} mV s, lines {' and '.join(lines).upper()} alone",
            ours=found[f"emf_constant_{name}"],
            published=factor * P * PSI,
            allowance=2e-5 * factor * P * PSI,
            unit="V s/rad",
            source="p psi omega per phase, identities of the sine; " + HAND,
        )


@pytest.mark.parametrize("order", [1, 5, 11])
def test_what_averaging_takes_from_a_harmonic(outside: Outside, order: int) -> None:
    step, m = 0.02, 7
    turn = order * step * (np.arange(m) - (m - 1) / 2)
    outside(
        "emf_constant_peak",
        f"height of harmonic {order} after averaging {m} readings {step:g} rad apart",
        ours=float(thinning.attenuation(order, m, step)[-1]),
        published=float(np.mean(np.cos(turn))),
        allowance=1e-12,
        source="mean of the readings themselves; mathematics",
    )


def flat_topped(volts: float) -> dict[str, np.ndarray]:
    """Return lines of phases of ``volts`` that are flat over 120 degrees."""
    time = np.arange(8000) / EMF_RATE
    turns = P * SPEED * time / (2 * np.pi)
    phases = [
        volts * np.interp(np.mod(turns - k / 3, 1.0) * 360, [0, 30, 150, 210, 330, 360], [0, 1, 1, -1, -1, 0])
        for k in range(3)
    ]
    lines = {f"voltage_{line}": phases[k] - phases[(k + 1) % 3] for k, line in enumerate(("ab", "bc", "ca"))}
    return {"time": time, **lines}


@pytest.mark.parametrize("volts", [0.3, 6.0, 45.0])
def test_a_flat_topped_wave_of_any_size(outside: Outside, volts: float) -> None:
    """Lines of a phase that is flat over 120 degrees: flat over 60, straight over 120 degrees between."""
    # RMS: sqrt(5)/3 of the peak of 2. Fundamental: sqrt(3) x 12/pi^2 = 2.10594, RMS 1.48912. Distortion:
    # sqrt(2.222222/2.217487 - 1) = 4.62 %.
    fundamental = math.sqrt(3) * 12 / math.pi**2
    found = outcome(procedures()["open-circuit"], [(flat_topped(volts), {"speed": SPEED})])
    for name, published, allowance, factor, unit in (
        ("emf_constant_peak", 2 * volts / SPEED, 5e-4 * 2 * volts / SPEED, 1.0, "V s/rad"),
        ("emf_constant_rms", 2 * volts / SPEED * math.sqrt(5) / 3, 1e-4 * 2 * volts / SPEED, 1.0, "V s/rad"),
        ("emf_constant_dc", 2 * volts / SPEED, 1e-3 * 2 * volts / SPEED, 1.0, "V s/rad"),
        ("emf_distortion", 100 * math.sqrt(20 / 9 / (fundamental**2 / 2) - 1), 0.05, 100.0, "percent"),
        # About the crest a_h = 12/(pi h)^2 (cos(30 h) - cos(150 h)) degrees: both against the crest.
        ("emf_harmonic_5", -100 / 25, 0.01, 100.0, "percent"),
        ("emf_harmonic_7", -100 / 49, 0.01, 100.0, "percent"),
    ):
        outside(
            name,
            f"phases of {volts:g} V, flat over 120 degrees",
            ours=factor * found.forms[name].value,
            published=published,
            allowance=allowance,
            unit=unit,
            source="Fourier series of the trapezoid, mathematics",
        )
    # The crest of the series up to order 37, of which the extrapolation takes off what is above 2; half of that is
    # its standard uncertainty.
    x = np.linspace(0, 2 * np.pi, 20_000)
    h = np.array([k for k in range(1, 38, 2) if k % 3])
    amplitude = 24 / np.pi**2 * np.sin(h * np.pi / 6) / h**2
    crest = float(np.max(np.cos(np.outer(x, h) - h * np.pi / 2) @ (amplitude * 2 * np.sin(h * np.pi / 3))))
    doubt = [c for i, c in found.forms["emf_constant_peak"].terms.items() if "crest" in i.source]
    outside(
        "emf_constant_peak",
        f"standard uncertainty of its extrapolation, phases of {volts:g} V: half of what it takes off",
        ours=math.sqrt(sum(c * c for c in doubt)),
        published=0.5 * abs(crest - 2) * volts / SPEED,
        allowance=0.15 * 0.5 * abs(crest - 2) * volts / SPEED,
        unit="V s/rad",
        source="Fourier series of the trapezoid up to order 37, mathematics",
    )


def test_the_part_of_a_harmonic_that_lifts_the_crest(outside: Outside) -> None:
    """A wave whose fifth and seventh stand at angles of their own: scipy's transform of one exact turn of it."""
    time = np.arange(8000) / EMF_RATE

    def line(turns: np.ndarray) -> np.ndarray:
        x = 2 * np.pi * turns
        return 9 * (np.cos(x) + 0.06 * np.cos(5 * x + 1.0) - 0.03 * np.cos(7 * x - 0.4) + 0.01 * np.cos(11 * x))

    spectrum = fft.rfft(line(np.arange(64) / 64))
    turns = P * SPEED * time / (2 * np.pi) + 0.13
    lines = {f"voltage_{name}": line(turns - k / 3) for k, name in enumerate(("ab", "bc", "ca"))}
    found = outcome(procedures()["open-circuit"], [({"time": time, **lines}, {"speed": SPEED})])
    for order in (5, 7):
        outside(
            f"emf_harmonic_{order}",
            "wave with harmonics turned against the crest",
            ours=100 * found.forms[f"emf_harmonic_{order}"].value,
            published=100 * float(spectrum[order].real / abs(spectrum[1])),
            allowance=0.002,
            unit="percent",
            source=f"scipy {scipy.__version__}, fft.rfft of one turn from the crest on",
        )


@pytest.mark.parametrize(
    ("stated", "air", "away", "doubt"),
    [(60.0, 20.0, 40.0, 0.0), (None, 35.0, 15.0, 5.0), (None, None, 0.0, 10.0)],
    ids=["stated", "from the air", "nothing known"],
)
def test_constants_are_those_of_magnets_at_20_degrees(
    outside: Outside, stated: float | None, air: float | None, away: float, doubt: float
) -> None:
    """NdFeB loses 0.10 % of its remanence per kelvin, give or take 0.03; all given widths are those of rectangles."""
    conditions = {"speed": SPEED} if stated is None else {"speed": SPEED, "magnet_temperature": stated}
    given = {} if air is None else {"ambient_temperature": air}
    found = outcome(procedures()["open-circuit"], [(driven(), conditions)], **given)
    share = 1 - 0.0010 * away
    cold = P * PSI * math.sqrt(3) / share
    for what, ours, published in (
        ("value", found.forms["emf_constant_peak"].value, cold),
        (
            "standard uncertainty by the magnets",
            math.sqrt(sum(c * c for i, c in found.forms["emf_constant_peak"].terms.items() if "magnet" in i.source)),
            cold / share * math.hypot(0.0003 * away, 0.0010 * doubt) / math.sqrt(3),
        ),
    ):
        outside(
            "emf_constant_peak",
            f"magnets {away:g} K above 20 degC within {doubt:g} K: {what}",
            ours=ours,
            published=published,
            allowance=1e-4 * published + 1e-9,
            unit="V s/rad",
            source=f"{HAND}; temperature coefficient of remanence of NdFeB, common practice, no source",
        )


def flat_lines(orders: int) -> np.ndarray:
    """Return harmonics ``(orders, 3)`` between lines of phases that are flat over 120 degrees."""
    h = np.arange(1, orders + 1)
    phase = np.where(h % 2 == 1, 4 / np.pi * 6 / np.pi * np.sin(h * np.pi / 6) / h**2, 0.0)
    line = -1j * phase * (1 - np.exp(-2j * np.pi / 3 * h))
    turn = np.exp(-2j * np.pi / 3 * h)
    return np.stack([line, line * turn, line * turn**2], axis=1)


@pytest.mark.parametrize("blocks", [6, 24])
def test_how_far_noise_lifts_a_flat_crest(outside: Outside, blocks: int) -> None:
    """The same noise drawn directly, and the highest and lowest points of each drawn wave read off."""
    rng = np.random.default_rng(31)
    true, sd, orders = flat_lines(13), 0.02, 13
    angle = np.outer(np.arange(720) * 2 * np.pi / 720, np.arange(1, orders + 1))
    cosine, sine = np.cos(angle), np.sin(angle)

    def crest(c: np.ndarray) -> float:
        wave = cosine @ c.real - sine @ c.imag
        return float(0.5 * (wave.max(axis=0) - wave.min(axis=0)).mean())

    def noise() -> np.ndarray:
        return sd * (rng.standard_normal(true.shape) + 1j * rng.standard_normal(true.shape))

    drawn = np.mean([crest(true + noise()) for _ in range(1500)]) / crest(true) - 1
    found, squares = [], []
    for _ in range(40):
        # Blocks whose mean has the noise sd; their deviations from it seen by leaving one out in turn.
        parts = np.stack([noise() for _ in range(blocks)]) * math.sqrt(blocks)
        without = true + (parts.sum(axis=0) - parts) / (blocks - 1)
        both = waveform.Coefficients(true, without)
        found.append(waveform.crest_bias(both, np.ones(orders, bool), 0))
        squares.append(both.variance().mean())
    outside(
        "emf_constant_peak",
        f"share by which noise of 2 % in each harmonic lifts the crest of a flat wave, {blocks} blocks",
        ours=100 * float(np.mean(found)),
        published=100 * drawn,
        allowance=8 * drawn,
        unit="percent",
        source="maxima of 1500 drawn waves",
    )
    outside(
        "emf_constant_peak",
        f"variance of a harmonic with noise of 2 %, from {blocks} blocks",
        ours=float(np.mean(squares)),
        published=2 * sd**2,
        allowance=0.1 * sd**2,
        source="variance of the drawn noise",
    )


def test_constants_of_unlike_lines(outside: Outside) -> None:
    # Lines of 460, 467 and 450 that close to a triangle, at 40 to one: peaks of 11.5, 11.675 and 11.25 V.
    sides = np.array([460.0, 467.0, 450.0]) / 40
    inner = math.acos((sides[0] ** 2 + sides[1] ** 2 - sides[2] ** 2) / (2 * sides[0] * sides[1]))
    ab, bc = sides[0], -sides[1] * np.exp(-1j * inner)
    phasors = np.array([ab, bc, -ab - bc])
    if np.imag(phasors[1] / phasors[0]) > 0:
        phasors = phasors.conj()
    time = np.arange(8000) / 8000.0
    volts = np.real(phasors[:, None] * np.exp(11j * 18.0 * time))
    columns = {"time": time, **dict(zip(("voltage_ab", "voltage_bc", "voltage_ca"), volts, strict=True))}
    turn = np.real(phasors[:, None] * np.exp(1j * np.linspace(0, 2 * np.pi, 7200, endpoint=False)))
    found = values("open-circuit", [(columns, {"speed": 18.0})])
    for name, published in (
        ("emf_constant_peak", float(sides.mean()) / 18),
        ("emf_constant_rms", float(sides.mean()) / 18 / math.sqrt(2)),
        ("emf_constant_dc", float(np.abs(turn).max(axis=0).mean()) / 18),
    ):
        outside(
            name,
            "lines of 460, 467 and 450 at 40 to one, 18 rad/s: the mean of the three, or of the largest of six",
            ours=found[name],
            published=published,
            allowance=2e-5 * published,
            unit="V s/rad",
            source="definition of the constant, " + HAND,
        )
