"""What the physics passes around: arrays of 64-bit floats, and checks of what comes in."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


def finite(name: str, values: npt.ArrayLike) -> Array:
    """The values as floats. Raises ValueError naming the argument if any is not finite."""
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite numbers")
    return array


def within(name: str, values: npt.ArrayLike, low: float, high: float) -> Array:
    """The values as floats. Raises ValueError naming argument and range if any is outside."""
    array = finite(name, values)
    if array.size and (array.min() < low or array.max() > high):
        raise ValueError(f"{name} must lie between {low} and {high}")
    return array
