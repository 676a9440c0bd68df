"""What fish is going to hold when it is kept on at one temperature."""

from dataclasses import replace

from service.quality.rules import Held, amounts_left
from service.science.kinetics import arrhenius_factor
from service.science.residual import Band, share_left
from service.supplements.rules.needs import Food


def kept_on(food: Food, days: int, at_c: float) -> Food:
    """Fish after so many more days at a temperature, -90 to 0 °C.

    What does not fall in storage stays as it is. Leaves out that one temperature is never
    kept to the degree: the range is that of content and loss rate only.
    """
    more = days * float(arrhenius_factor(at_c))
    return replace(food, content={tag: _later(held, more) for tag, held in food.content.items()})


def _later(held: Held, more: float) -> Held:
    """After so many more days as at -18 °C."""
    if held.rate is None:
        return held
    low, value, high = (of + more for of in held.days)
    elapsed = Band.of(value, low, high)
    left = amounts_left(held.nutrient, held.start, held.rate, elapsed, in_water=held.in_water).only
    return replace(
        held,
        low=left[0],
        value=left[1],
        high=left[2],
        days=(low, value, high),
        share_left=share_left(held.rate, elapsed).only,
        credited=(0.0, 0.0) if held.why_no_credit is not None else (left[0], left[2]),
    )
