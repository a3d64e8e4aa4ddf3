"""Cases in which a small term weighs: errors put into it on purpose had passed the plainer examples.

Sources: balances and equations solved by SciPy; maxima drawn by trials; examples worked by hand, whose figures stand
beside them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api
from scipy.optimize import brentq, minimize_scalar
from scipy.signal import lfilter

from rotorproof.derivations.drive_match import DERIVATION as MATCH
from rotorproof.derivations.drive_prediction import DERIVATION as DRIVE
from rotorproof.physics import coasting, cogging, commutation, friction, load_points, regression, sampling, waveform
from tests.outside import Outside
from tests.proof.test_terms_that_count import DRAGGED, drag, values

HAND = "worked by hand"


# ----- Road


def test_cut_off_at_a_cruise_with_drag_beyond_the_bench(outside: Outside) -> None:
    # Loss of 10 W at 95 %: 190 W, 6.5972 A; of the 8 W beyond standby half goes with the current.
    given = {
        **DRAGGED,
        "vehicle_rolling_resistance": 0.01,
        "vehicle_cruise_speed": 5.0,
        "vehicle_grade": 0.02,
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 2.0,
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.5,
        "supply_current_limit": 30.0,
        "phase_current_limit": 30.0,
        "cutoff_voltage": 30.0,
    }
    on_bench = 190 / (0.8 * 36)
    speed, slope = 5 / 0.35, math.atan(0.02)
    force = 980.665 * (math.sin(slope) + 0.01 * math.cos(slope)) + 0.5 * 1.2 * 0.5 * 25
    current = (force * 0.35 + drag(speed)) / 1.2
    taken = 1.2 * speed * current + 0.24 * current**2 + 2 + 4 / on_bench * current + 4 / on_bench**2 * current**2
    outside(
        "pack_cutoff_voltage",
        "100 kg at 5 m/s on 2 %, drag beyond the bench twice as fitted, cut-off at 30 V, 0.06 ohm",
        ours=DRIVE.derive(given)["pack_cutoff_voltage"],
        published=30 + 0.06 * taken / 30,
        allowance=1e-9,
        unit="V",
        source="power balance, " + HAND,
    )


def test_what_of_friction_is_the_loss_of_a_bridge(outside: Outside) -> None:
    """The loss at no load over the speed, by least squares between 0.3 and 1 times the greatest, on a fine grid."""
    coulomb, viscous, emf, drop, resistance, greatest = 0.46, 0.009, 1.1, 0.8, 0.05, 32.0
    speed = np.linspace(0.3 * greatest, greatest, 20_001)
    current = (coulomb + viscous * speed) / emf
    published_b, published_c = np.polyfit(speed, (drop * current + resistance * current**2) / speed, 1)
    found = friction.bridge_loss_in_friction(coulomb, viscous, emf, drop, resistance, greatest)
    given = {
        **DRAGGED,
        "emf_constant_dc": emf,
        "coulomb_friction": coulomb,
        "viscous_friction": viscous,
        "bench_speed_max": greatest,
        "coulomb_friction_holds_controller_loss": 1.0,
        "friction_controller_share": 1.0,
        # 190 W out at 6.5972 A: the loss beyond standby that makes 0.8 V and, all of it in proportion, no resistance.
        "controller_loss": 10.0,
        "controller_efficiency": 0.95,
        "standby_power": 10 - 0.8 * 190 / (0.8 * 36),
        "controller_bench_duty": 0.8,
        "controller_loss_square": 0.0,
        "supply_current_limit": 30.0,
        "phase_current_limit": 30.0,
    }
    leaning, straight = np.polyfit(speed, drop * current / speed, 1)
    standing = given["standby_power"]

    def surplus(w: float) -> float:
        drag = coulomb - straight + (viscous - leaning) * w + DRAGGED["windage"] * w**2
        taken = drag / emf
        terminals = brentq(lambda u: u - (36 - 0.06 * (taken + standing / u)), 20, 40)
        return terminals - drop - 0.24 * taken - emf * w

    free = brentq(surplus, 1, 40)
    # Where the bench's greatest speed is not known, that of the nominal pack without drag stands for it.
    without = {name: value for name, value in given.items() if name != "bench_speed_max"}
    speed = np.linspace(0.3 * 36 / emf, 36 / emf, 20_001)
    other = np.polyfit(speed, drop * (coulomb + viscous * speed) / emf / speed, 1)[1]
    for name, what, ours, published, unit in (
        ("coulomb_friction", "loss of 0.8 V and 0.05 ohm in the constant part", found[0], published_c, "N m"),
        ("viscous_friction", "the same in the part that grows with speed", found[1], published_b, "N m s/rad"),
        (
            "pack_top_torque",
            "30 A, 1.1 N m/A, friction of 0.46 N m that holds the loss of 0.8 V",
            DRIVE.derive(given)["pack_top_torque"],
            30 * emf - (coulomb - straight),
            "N m",
        ),
        (
            "pack_top_torque",
            "the same of a bench whose greatest speed is not known",
            DRIVE.derive(without)["pack_top_torque"],
            30 * emf - (coulomb - other),
            "N m",
        ),
        (
            "pack_no_load_speed",
            "36 V, 1.1 V s/rad, friction that holds the loss of 0.8 V",
            DRIVE.derive(given)["pack_no_load_speed"],
            free,
            "rad/s",
        ),
    ):
        outside(
            name,
            what,
            ours=ours,
            published=float(published),
            allowance=(2e-5 if name.startswith("pack") else 1e-3) * abs(float(published)),
            unit=unit,
            source="least squares by numpy.polyfit; power balance, " + HAND,
        )


# ----- EMF


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


# ----- Coasting


@pytest.mark.parametrize("decay", [1e-5, 7e-5, 1.3e-4])
def test_a_coast_down_so_short_that_the_series_is_used(outside: Outside, decay: float) -> None:
    """Without windage the equation has the exponential for its solution; 1 s of it, of which every digit counts."""
    alpha, start = 6.0, 40.0
    outside(
        "coulomb_deceleration",
        f"fall of the speed after 1 s by 6 rad/s^2 and {decay:g}/s",
        ours=start - float(coasting.speed_after(np.array([1.0]), start, alpha, decay, 0.0)[0]),
        published=-math.expm1(-decay) * (start + alpha / decay),
        allowance=2e-12,
        unit="rad/s",
        source="linear differential equation of first order, mathematics",
    )


# ----- Cogging


def test_peak_to_peak_wherever_the_crest_lies(outside: Outside) -> None:
    """Crest and trough of 40 sums of two waves found by SciPy; the one that agrees worst."""
    rng = np.random.default_rng(17)
    orders = np.array([12, 84])
    worst = (0.0, 0.0)
    for _ in range(40):
        cosines, sines = rng.uniform(-1, 1, 2) * [1.0, 0.3], rng.uniform(-1, 1, 2) * [1.0, 0.3]

        def wave(x: float, sign: float, c: np.ndarray = cosines, s: np.ndarray = sines) -> float:
            return sign * float(c @ np.cos(orders * x) + s @ np.sin(orders * x))

        grid = np.linspace(0, 2 * np.pi / 12, 400)
        height = 0.0
        for sign in (1.0, -1.0):
            near = grid[int(np.argmax([wave(x, sign) for x in grid]))]
            best = minimize_scalar(lambda x, s=sign: -wave(x, s), bounds=(near - 2e-3, near + 2e-3), method="bounded")
            height += wave(best.x, sign)
        ours, slope = cogging.peak_to_peak(orders, cosines, sines)
        # The height is of first degree in its coefficients, so it is what their derivatives add up to (Euler).
        by_slope = float(slope @ np.column_stack([cosines, sines]).ravel())
        for one in (ours, by_slope):
            if abs(one / height - 1) > abs(worst[0] / max(worst[1], 1e-9) - 1) or worst[1] == 0:
                worst = (one, height)
    outside(
        "cogging_torque",
        "peak to peak of a sum of orders 12 and 84, the worst of 40",
        ours=worst[0],
        published=worst[1],
        allowance=2e-4 * worst[1],
        unit="N m",
        source="scipy.optimize.minimize_scalar",
    )


# ----- Controller


def test_a_match_of_sensor_sets(outside: Outside) -> None:
    for spacing, published in ((120.0, 0.0), (60.0, 60.0), (117.0, 3.0)):
        given = {"hall_spacing": math.radians(spacing), "controller_table": 645213.0}
        outside(
            "sensor_spacing_mismatch",
            f"sensors {spacing:g} degrees apart, table for 120",
            ours=math.degrees(MATCH.derive(given)["sensor_spacing_mismatch"]),
            published=published,
            allowance=1e-9,
            unit="deg",
            source=HAND,
        )


@pytest.mark.parametrize("spread", [1.0, 2.0, 5.0])
def test_jitter_through_a_sample_clock(outside: Outside, spread: float) -> None:
    """Periods of 500.37 samples with a known scatter, each edge seen at the next sample."""
    rng = np.random.default_rng(5)
    interval, runs, found, stated = 1e-7, 60, [], []
    for _ in range(runs):
        true = (500.37 + spread * rng.standard_normal(400)) * interval
        edges = np.ceil(np.cumsum(true) / interval + rng.uniform()) * interval
        lengths, counts = np.unique(np.rint(np.diff(edges) / interval), return_counts=True)
        value, u = sampling.jitter(
            sampling.period(lengths * interval, counts, float(edges[-1] - edges[0])), interval
        ) or (0.0, 0.0)
        found.append(value)
        stated.append(u)
    outside(
        "pwm_jitter",
        f"periods that scatter by {spread:g} samples: mean of {runs} captures",
        ours=float(np.mean(found)) / interval,
        published=spread,
        allowance=0.03 * spread,
        unit="samples",
        source="standard deviation of the drawn periods",
    )
    if spread > 2:
        outside(
            "pwm_jitter",
            f"its standard uncertainty against the scatter of {runs} captures",
            ours=math.sqrt(np.mean(np.square(stated))) / interval,
            published=float(np.std(found, ddof=1)) / interval,
            allowance=0.25 * float(np.std(found, ddof=1)) / interval,
            unit="samples",
            source="standard deviation of the values found",
        )


def test_how_uncertain_the_shortest_interval_is(outside: Outside) -> None:
    """Standard deviations of a triangle and of rectangles (JCGM 100:2008, 4.3.7 and 4.3.9)."""
    interval = 1e-7
    for what, values_, counts, value, deviation in (
        ("one reading of 5 samples", [5.0], [40], 5.0, 1 / math.sqrt(6)),
        ("readings of 5 and 6 samples", [6.0, 5.0], [9, 40], 5.5, 0.5 / math.sqrt(3)),
        ("readings of 5, 6 and 7 samples", [5.0, 7.0, 6.0], [9, 9, 40], 5.0, 1 / math.sqrt(3)),
        ("readings of 5 and of 8 samples", [8.0, 5.0], [9, 40], 5.0, 1 / math.sqrt(6)),
    ):
        found = sampling.shortest(np.array(values_) * interval, np.array(counts), interval)
        for kind, ours, published in (
            ("value", found.value, value),
            ("standard uncertainty", math.sqrt(sum(w * w for w in found.half_widths) / 3), deviation),
        ):
            outside(
                "dead_time_min",
                f"{kind} of the shortest interval from {what}",
                ours=ours / interval,
                published=published,
                allowance=1e-9,
                unit="samples",
                source="JCGM 100:2008, 4.3.7 and 4.3.9; " + HAND,
            )


def test_invalid_sensor_codes_count_as_errors(outside: Outside) -> None:
    # Six sound sectors, and one in which all sensors read low.
    table, steps = np.zeros((8, 8), int), np.zeros((8, 8), int)
    ring = (0b101, 0b100, 0b110, 0b010, 0b011, 0b001)
    for number, code in enumerate(ring):
        table[code, number + 1] = 1
        steps[code, ring[(number + 1) % 6]] = 1
    table[0, 3] = 1
    outside(
        "commutation_errors",
        "six sound sectors and one with the sensor code 000",
        ours=commutation.judge(table, steps).errors,
        published=1,
        allowance=0,
        source="published six-step table, " + HAND,
    )


# ----- Fits


def test_correlation_time_of_residuals(outside: Outside) -> None:
    """A fit of five parameters takes slow wander out of 400 readings; their time is still (1 + phi)/(1 - phi)."""
    rng = np.random.default_rng(23)
    phi, n = 0.8, 400
    design = np.vander(np.linspace(-1, 1, n), 5)
    hat = design @ np.linalg.pinv(design)
    found = []
    for _ in range(300):
        series = lfilter([1.0], [1.0, -phi], rng.standard_normal(n + 100))[100:]
        found.append(regression.correlation_time(series - hat @ series, 5))
    outside(
        "fit",
        "correlation time of the residuals of a fit of five parameters to 400 readings, mean of 300",
        ours=float(np.mean(found)),
        published=9.0,
        allowance=0.45,
        source="Priestley, Spectral Analysis and Time Series (1981), 5.3.2: (1 + phi)/(1 - phi)",
    )


def test_covariance_of_readings_that_scatter_unevenly(outside: Outside) -> None:
    rng = np.random.default_rng(4)
    speed, torque = (g.ravel() for g in np.meshgrid(np.linspace(5, 25, 5), np.linspace(0, 12, 5)))
    loss = 5 + 0.4 * speed + 0.02 * speed**2 + 0.15 * torque**2 + 0.02 * speed * rng.standard_normal(25)
    surface = load_points.loss_surface(speed, torque, loss)
    design = surface.design(speed, torque)
    fitted = statsmodels.api.OLS(loss, design).fit(cov_type="HC3")
    at = surface.design(np.array([22.0]), np.array([9.0]))
    value, u = surface.loss(np.array([22.0]), np.array([9.0]))
    published = float((at @ fitted.params)[0]), math.sqrt(float((at @ fitted.cov_params() @ at.T)[0, 0]))
    share, u_share = surface.efficiency(np.array([22.0]), np.array([9.0]))
    for name, what, ours, theirs, unit in (
        ("additional_loss", "loss at 9 N m and 22 rad/s of a surface of second order", value[0], published[0], "W"),
        ("additional_loss", "its standard uncertainty, HC3", u[0], published[1], "W"),
        ("efficiency_max", "efficiency there", share[0], 198 / (198 + published[0]), "1"),
        # d eta / d loss = -out/(out + loss)^2
        ("efficiency_max", "its standard uncertainty", u_share[0], 198 * published[1] / (198 + published[0]) ** 2, "1"),
    ):
        outside(
            name,
            what,
            ours=float(ours),
            published=theirs,
            allowance=1e-6 * abs(theirs),
            unit=unit,
            source="statsmodels, OLS with HC3 (MacKinnon and White 1985)",
        )
