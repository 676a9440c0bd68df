"""Nights as the physics sees them."""

import numpy as np

from service.science.gaps import AirSeries, air_series


def a_night(warm_c: float, hours: float, *, until: float = 12.0, usual: float = -22.0) -> AirSeries:
    """Warm from the first hour on for so many, every five minutes a reading."""
    at_s = np.arange(0, until * 3600 + 1, 300.0)
    warm = (at_s >= 3600) & (at_s < 3600 * (1 + hours))
    return air_series(at_s, np.where(warm, warm_c, usual))
