"""Which of the rows that were sent may be stored, and why the others may not."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, Indices
from service.site.queries import SiteView
from service.temperatures.actions.decoding import Decoded
from service.temperatures.queries import ProbeView, instant

EARLIEST_S = 946_684_800  # 2000-01-01: a clock that shows less has lost its battery


@dataclass(frozen=True)
class Batch:
    """Rows that may be stored, as arrays of equal length."""

    index: Indices
    probe_id: Indices
    at_s: Indices
    centi_c: Indices

    def only(self, keep: npt.NDArray[np.bool_] | Indices) -> "Batch":
        """Some of the rows, in their order."""
        return Batch(self.index[keep], self.probe_id[keep], self.at_s[keep], self.centi_c[keep])


@dataclass(frozen=True)
class Sent:
    """Rows that are well formed, as columns. probe: the position of each in `probes`."""

    index: Indices
    codes: list[str]
    probes: list[ProbeView | None]
    probe: Indices
    at_s: Array
    temperature_c: Array

    def newest(self) -> tuple[ProbeView, float] | None:
        """The newest row of a known probe, whatever it says: its probe and instant."""
        known = np.array([probe is not None for probe in self.probes])[self.probe]
        if not known.any():
            return None
        row = int(np.argmax(np.where(known, self.at_s, -np.inf)))
        probe = self.probes[self.probe[row]]
        assert probe is not None
        return probe, float(self.at_s[row])


@dataclass(frozen=True)
class Bounds:
    """What readings of one probe may be."""

    coldest_c: float
    warmest_c: float
    from_s: float
    until_s: float


NOTHING = Bounds(np.inf, -np.inf, np.inf, -np.inf)


def columns_of(decoded: Decoded, probes: Mapping[str, ProbeView]) -> Sent:
    """Decoded rows as columns, each with its probe. O(rows)."""
    rows = decoded.rows
    said = [row.probe for row in rows]
    codes = sorted(set(said))
    position = {code: number for number, code in enumerate(codes)}
    return Sent(
        index=np.array(decoded.indices, dtype=np.int64),
        codes=codes,
        probes=[probes.get(code.upper()) for code in codes],
        probe=np.fromiter(map(position.__getitem__, said), np.int64, len(rows)),
        at_s=np.fromiter(map(datetime.timestamp, [row.at for row in rows]), np.float64, len(rows)),
        temperature_c=np.fromiter([row.temperature_c for row in rows], np.float64, len(rows)),
    )


def acceptable(
    sent: Sent,
    views: Mapping[int, SiteView],
    barred: frozenset[int],
    *,
    ahead_s: int,
    at: datetime,
    rejected: dict[int, str],
) -> Batch:
    """Rows of probes that may be sent, in range, neither absurdly old nor in the future.

    ahead_s : how far the sender's clock is ahead; taken off every instant. All rows
    are judged at once; only one that is refused is looked at by itself. O(rows).
    """
    bounds = [_bounds(probe, views, barred, at) for probe in sent.probes]
    at_s = sent.at_s - ahead_s

    def each(name: str) -> Array:
        limits: Array = np.array([getattr(b, name) for b in bounds])[sent.probe]
        return limits

    if not bounds:
        return Batch(*(np.zeros(0, dtype=np.int64) for _ in range(4)))
    fine = (sent.temperature_c >= each("coldest_c")) & (sent.temperature_c <= each("warmest_c"))
    fine &= (at_s >= each("from_s")) & (at_s <= each("until_s"))
    for row in np.flatnonzero(~fine).tolist():
        number = int(sent.probe[row])
        rejected[int(sent.index[row])] = _why_not(
            sent.codes[number],
            sent.probes[number],
            bounds[number],
            float(at_s[row]),
            float(sent.temperature_c[row]),
        )
    ids = np.array([probe.id if probe else 0 for probe in sent.probes], dtype=np.int64)
    return Batch(
        sent.index[fine],
        ids[sent.probe[fine]],
        np.floor(at_s[fine]).astype(np.int64),
        np.rint(sent.temperature_c[fine] * 100).astype(np.int64),
    )


def _bounds(
    probe: ProbeView | None, views: Mapping[int, SiteView], barred: frozenset[int], at: datetime
) -> Bounds:
    if probe is None or probe.id in barred:
        return NOTHING
    policy = views[probe.site_id].policy
    return Bounds(
        policy.reading_min,
        policy.reading_max,
        max(EARLIEST_S, probe.raw_kept_from_s),
        (at + policy.skew).timestamp(),
    )


def _why_not(
    code: str, probe: ProbeView | None, bounds: Bounds, at_s: float, temperature_c: float
) -> str:
    """What keeps a row from being stored."""
    if probe is None:
        return f"unknown probe {code[:40]}"
    if bounds is NOTHING:
        return f"this token may not send readings of {probe.code}"
    if not bounds.coldest_c <= temperature_c <= bounds.warmest_c:
        return (
            f"temperature_c: {temperature_c:g} is outside {bounds.coldest_c:g} to "
            f"{bounds.warmest_c:g} °C"
        )
    if at_s > bounds.until_s:
        return "at: lies in the future"
    if at_s < EARLIEST_S:
        return f"at: lies before {instant(EARLIEST_S):%Y-%m-%d}"
    return f"at: raw readings before {instant(bounds.from_s):%Y-%m-%d %H:%M} UTC are no longer kept"


def without_repeats(batch: Batch, rejected: dict[int, str]) -> tuple[Batch, int]:
    """The first of each probe and second, sorted by them."""
    order = np.lexsort((batch.index, batch.at_s, batch.probe_id))
    batch = batch.only(order)
    if batch.index.size == 0:
        return batch, 0
    same = (batch.probe_id[1:] == batch.probe_id[:-1]) & (batch.at_s[1:] == batch.at_s[:-1])
    if not same.any():
        return batch, 0
    first = np.concatenate(([True], ~same))
    group = np.flatnonzero(first)[np.cumsum(first) - 1]
    differs = batch.centi_c != batch.centi_c[group]
    for index in batch.index[differs]:
        rejected[int(index)] = "another value was sent for this probe and second"
    return batch.only(first), int((~first & ~differs).sum())
