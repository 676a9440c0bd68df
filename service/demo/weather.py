"""What the invented thermometers read: made up from a mean, a day, defrosts, and two accidents."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

import numpy as np

from service.demo import place
from service.demo.place import Thermometer
from service.science.arrays import Array
from service.temperatures.actions.decoding import Decoded, Row

DEFROST_EVERY_S, DEFROST_S = 6 * 3600, 15 * 60
NOISE_C = 0.12
DOOR_TOWARDS_C = -3.0  # what the air of a freezer with its door open tends to
WARMS_S, COOLS_S = 5400.0, 3000.0  # time constants with the door open, and shut again


@dataclass(frozen=True)
class Weather:
    """The same readings every time for one present instant and seed."""

    now: datetime
    seed: int = 20

    @property
    def midnight(self) -> datetime:
        """The last one before now."""
        return datetime.combine(self.now.astimezone(UTC).date(), time(), UTC)

    @property
    def door(self) -> tuple[datetime, datetime]:
        """From when to when the door was open."""
        opened = self.midnight - place.OPEN_DOOR_BEFORE_MIDNIGHT
        return opened, opened + place.OPEN_DOOR_LASTED

    @property
    def died_at(self) -> datetime:
        """When one probe fell silent."""
        return self.now - place.DIED_BEFORE_NOW

    def between(self, start: datetime, end: datetime) -> Decoded:
        """The readings of all probes in [start, end), as if they had been sent. O(readings)."""
        rows: list[Row] = []
        for number, probe in enumerate(place.HUNG):
            first = max(start, self.midnight - timedelta(days=probe.days))
            last = min(end, self.died_at) if probe.code == place.DEAD_PROBE else end
            rows += self._of(probe, number, first, last)
        return Decoded(list(range(len(rows))), rows)

    def _of(
        self, probe: Thermometer, number: int, first: datetime, last: datetime
    ) -> Iterator[Row]:
        count = max(0, -((first - last) // place.READ_EVERY))
        begin_s = first.timestamp()
        at_s = begin_s + np.arange(count, dtype=np.float64) * place.READ_EVERY.total_seconds()
        noise = np.random.default_rng((self.seed, number, int(begin_s)))
        celsius = self._usual(probe, at_s) + noise.normal(0.0, NOISE_C, count)
        if probe.place == place.OPEN_DOOR_PLACE:
            celsius = self._with_door(celsius, at_s, probe.mean_c)
        values = np.round(celsius, 2).tolist()
        return (Row(probe.code, first + i * place.READ_EVERY, c) for i, c in enumerate(values))

    def _usual(self, probe: Thermometer, at_s: Array) -> Array:
        day = np.sin(2 * np.pi * (at_s / 86400 - 0.4))
        defrosting = at_s % DEFROST_EVERY_S < DEFROST_S
        usual: Array = probe.mean_c + probe.swing_c * day + probe.defrost_c * defrosting
        return usual

    def _with_door(self, celsius: Array, at_s: Array, mean_c: float) -> Array:
        opened, shut = (moment.timestamp() for moment in self.door)
        rise = DOOR_TOWARDS_C - mean_c
        open_s = np.clip(at_s, opened, shut) - opened
        warmer = rise * (1 - np.exp(-open_s / WARMS_S))
        shut_s = np.maximum(at_s - shut, 0.0)
        with_door: Array = celsius + warmer * np.exp(-shut_s / COOLS_S)
        return with_door
