"""A nutrient over time as a drawing: its band, its line, what was measured, and today."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape
from math import floor, log10

from service.pictures import ACCENT, INK, STONE
from service.science.arrays import Array
from service.science.exposure import DAY_S
from service.science.residual import Band

SVG = "image/svg+xml"
WIDTH, HEIGHT = 720, 400
_LEFT, _RIGHT, _TOP, _BOTTOM = 70, 700, 50, 350  # of the field inside the axes
_DAYS_NAMED = 5


def chart(
    title: str,
    unit: str,
    at_s: Array,
    left: Band,
    *,
    now_s: float,
    measured: Sequence[tuple[float, float]] = (),
) -> str:
    """An SVG of a content over time: solid until now, dashed from then on, 10-90 % shaded.

    at_s, left : instants, ascending, and what there is at each. measured : instants and
    amounts of laboratory results. Cost: a line of text for each point.

    >>> import numpy as np
    >>> line = np.array([2.0, 1.0])
    >>> drawn = chart("E", "IU/kg", np.array([0.0, 86400.0]), Band(line, line, line), now_s=0.0)
    >>> drawn.startswith("<svg"), drawn.count("1970-01-01"), ">2<" in drawn
    (True, 1, True)
    """
    begin_s = min([float(at_s[0]), *(instant for instant, _ in measured)])
    length_s = max(float(at_s[-1]) - begin_s, 1.0)
    most = max([float(left.high.max()), *(amount for _, amount in measured)]) or 1.0

    field = _Field(begin_s, length_s, most)
    past, ahead = at_s <= now_s, at_s >= now_s
    outline = f"{field.points(at_s, left.high)} {field.points(at_s[::-1], left.low[::-1])}"
    now = field.across(now_s)
    parts = [
        f"<title>{escape(title)}, {escape(unit)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{_LEFT}" y="20" font-size="15">{escape(title)}</text>',
        f'<text x="{_LEFT}" y="38">{escape(unit)}; shaded: 10 to 90 %; dashed: to come</text>',
        *field.axes(),
        f'<polygon points="{outline}" fill="{STONE}" fill-opacity="0.35"/>',
        _line(field.points(at_s[past], left.value[past])),
        _line(field.points(at_s[ahead], left.value[ahead]), "6 4"),
        f'<path d="M{now:.1f} {_TOP}V{_BOTTOM}" stroke="{INK}" stroke-width="1"/>',
        f'<text x="{now + 5:.1f}" y="{_TOP + 10}">now</text>',
        *(
            f'<circle cx="{field.across(x):.1f}" cy="{field.up(y):.1f}" r="4" fill="white" '
            f'stroke="{INK}" stroke-width="2"/>'
            for x, y in measured
        ),
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'font-family="sans-serif" font-size="12" fill="{INK}">' + "".join(parts) + "</svg>"
    )


def _line(points: str, dashes: str = "none") -> str:
    return (
        f'<polyline points="{points}" fill="none" stroke="{ACCENT}" stroke-width="2.2" '
        f'stroke-dasharray="{dashes}"/>'
    )


@dataclass(frozen=True)
class _Field:
    """Where an instant and an amount lie in the drawing."""

    begin_s: float
    length_s: float
    most: float

    def across(self, at_s: float) -> float:
        return _LEFT + (at_s - self.begin_s) / self.length_s * (_RIGHT - _LEFT)

    def up(self, amount: float) -> float:
        return _BOTTOM - amount / self.most * (_BOTTOM - _TOP)

    def points(self, at_s: Array, amounts: Array) -> str:
        pairs = zip(at_s.tolist(), amounts.tolist(), strict=True)
        return " ".join(f"{self.across(x):.1f},{self.up(y):.1f}" for x, y in pairs)

    def axes(self) -> Iterator[str]:
        yield (
            f'<path d="M{_LEFT} {_TOP}V{_BOTTOM}H{_RIGHT}" fill="none" stroke="{STONE}" '
            'stroke-width="1"/>'
        )
        for amount in _round_numbers(self.most):
            yield (
                f'<text x="{_LEFT - 6}" y="{self.up(amount) + 4:.1f}" text-anchor="end">'
                f"{amount:.6g}</text>"
            )
        step = max(1, round(self.length_s / DAY_S / _DAYS_NAMED))
        for number in range(int(self.length_s // (step * DAY_S)) + 1):
            at_s = self.begin_s + number * step * DAY_S
            across = self.across(at_s)
            anchor = "middle" if across < _RIGHT - _LEFT / 2 else "end"
            yield (
                f'<text x="{across:.1f}" y="{_BOTTOM + 18}" text-anchor="{anchor}">'
                f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d}</text>"
            )


def _round_numbers(most: float) -> Iterator[float]:
    """Some four round numbers from none to the most."""
    size = 10.0 ** floor(log10(most / 4))
    step = next(size * of for of in (1, 2, 5, 10) if most / (size * of) <= 5)
    return (number * step for number in range(int(most / step) + 1))
