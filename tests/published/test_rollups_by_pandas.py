"""Hours of readings against pandas, which knows nothing of ours.

pandas puts readings on a grid of seconds, draws straight lines between them (its own
interpolation) and resamples to hours. The integral of a straight line over a second is
the mean of its two ends, so for readings at whole seconds the mean over covered time is
exact but for rounding. Counts and extremes are plain resampling.
"""

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from service.science.exposure import hour_rollups

SERIES = st.lists(
    st.tuples(st.integers(0, 5 * 3600), st.integers(-3000, 1500)),
    min_size=1,
    max_size=40,
    unique_by=lambda pair: pair[0],
).map(sorted)


@given(SERIES, st.sampled_from([60, 600, 1800, 3600]))
def test_count_extremes_mean_by_time_and_coverage_of_an_hour_are_those_of_pandas(
    series: list[tuple[int, int]], gap_s: int
) -> None:
    at_s = np.array([at for at, _ in series], dtype=np.int64)
    celsius = np.array([centi for _, centi in series]) / 100.0
    ours = hour_rollups(np.zeros_like(at_s), at_s, celsius, gap_s=gap_s, rates=())

    read = pd.Series(celsius, index=pd.to_datetime(at_s, unit="s"))
    hourly = read.resample("h").agg(["count", "min", "max", "mean", "first", "last"])
    hourly = hourly[hourly["count"] > 0]
    assert ours.hour_s.tolist() == [int(hour.timestamp()) for hour in hourly.index]
    assert ours.readings.tolist() == hourly["count"].tolist()
    for name, mine in (("min", ours.min_c), ("max", ours.max_c)):
        assert mine.tolist() == hourly[name].tolist()
    for name, mine in (("first", ours.first_c), ("last", ours.last_c)):
        assert mine.tolist() == hourly[name].tolist()

    every_s = pd.date_range(read.index[0], read.index[-1], freq="s")
    line = read.reindex(every_s).interpolate(method="linear")
    middle = (line + line.shift(-1)) / 2  # the mean of the second that begins here
    length = pd.Series(np.append(np.diff(at_s), 0), index=read.index).reindex(every_s).ffill()
    covered = middle[(length <= gap_s) & middle.notna()].resample("h")
    seconds = covered.count().reindex(hourly.index, fill_value=0)
    means = covered.mean().reindex(hourly.index).fillna(hourly["mean"])
    np.testing.assert_allclose(ours.covered_s, seconds, atol=1e-9)
    np.testing.assert_allclose(ours.mean_c, means, atol=1e-9)
