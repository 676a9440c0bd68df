"""What the physics passes around: arrays of 64-bit floats, and checks of what comes in."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


def finite(name: str, values: npt.ArrayLike) -> Array:
    """The values as floats of 64 bits, shape kept, in their own unit.

    name : the argument as its caller knows it. Raises ValueError naming it if any
    value is not finite. Cost O(n), without a copy where they are such floats already.

    >>> finite("temperature_c", [-18, -20.5]).tolist()
    [-18.0, -20.5]
    >>> finite("temperature_c", [-18, float("nan")])
    Traceback (most recent call last):
    ...
    ValueError: temperature_c must be finite numbers
    """
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite numbers")
    return array


def within(name: str, values: npt.ArrayLike, low: float, high: float) -> Array:
    """The values as floats of 64 bits, shape kept, none below low or above high.

    Raises ValueError naming argument and range if any is outside, or as `finite`.
    Cost O(n).

    >>> float(within("hours", 24, 0, 1000))
    24.0
    >>> within("hours", [24, -1], 0, 1000)
    Traceback (most recent call last):
    ...
    ValueError: hours must lie between 0 and 1000
    """
    array = finite(name, values)
    if array.size and (array.min() < low or array.max() > high):
        raise ValueError(f"{name} must lie between {low} and {high}")
    return array
