"""Outside values for what all fits share.

Sources: Priestley, Spectral Analysis and Time Series (1981).
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from rotorproof.physics import regression
from tests.outside import Outside


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
