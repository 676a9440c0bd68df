"""Columns over time: what was eaten (solid) and left (outlined), against what should be (a line).

Places are percents of the drawing, so that it stretches with the page and its words do not.
"""

from collections.abc import Sequence
from dataclasses import dataclass

HEIGHT, HEADROOM = 190, 10
"""Of the drawing, in pixels; room above the uppermost level, for its label."""


@dataclass(frozen=True)
class Step:
    """One day, week or month: what is drawn of it, and what it says."""

    label: str
    eaten: float
    left: float
    wanted: float | None
    says: str


@dataclass(frozen=True)
class Column:
    """A step as it is drawn: x and width in percent, the rest in pixels from the top."""

    label: str | None
    says: str
    x: float
    width: float
    eaten_y: float
    eaten_height: float
    left_y: float
    left_height: float
    wanted_y: float | None


@dataclass(frozen=True)
class Level:
    """A line across, at a round value."""

    y: float
    label: str


@dataclass(frozen=True)
class Columns:
    """A whole drawing."""

    height: int
    columns: Sequence[Column]
    levels: Sequence[Level]


def columns(steps: Sequence[Step], *, unit: str, most_labels: int = 4) -> Columns:
    """Steps as columns on one scale, which begins at nothing.

    unit : what the values are in, for the levels. Cost: linear in the steps.
    """
    values = [max(s.eaten + s.left, s.wanted or 0.0) for s in steps]
    level = _round_level(max(values, default=0.0))
    top = level * 4
    every = -(-len(steps) // most_labels) if steps else 1
    share = 100 / max(1, len(steps))

    def y(value: float) -> float:
        return round(HEADROOM + (HEIGHT - HEADROOM) * (1 - value / top), 1)

    drawn = [
        Column(
            label=step.label if number % every == 0 else None,
            says=step.says,
            x=round(number * share + share * 0.12, 3),
            width=round(share * 0.76, 3),
            eaten_y=y(step.eaten),
            eaten_height=round(HEIGHT - y(step.eaten), 1),
            left_y=y(step.eaten + step.left),
            left_height=round(y(step.eaten) - y(step.eaten + step.left), 1),
            wanted_y=None if step.wanted is None else y(step.wanted),
        )
        for number, step in enumerate(steps)
    ]
    return Columns(
        height=HEIGHT,
        columns=drawn,
        levels=[Level(y(level * n), f"{level * n:g} {unit}") for n in range(1, 5)],
    )


def _round_level(most: float) -> float:
    """A quarter of the scale: 1, 2, 2.5 or 5 times a power of ten, four of which hold the most."""
    if most <= 0:
        return 0.25
    power = 10.0
    while power * 4 >= most:
        power /= 10
    return next(power * f for f in (1.0, 2.0, 2.5, 5.0, 10.0) if power * f * 4 >= most)
