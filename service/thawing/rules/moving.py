"""How long a thaw takes that goes on in another place."""

from service.science.estimate import Estimate


def after_moving(
    gone_h: float, whole_h: tuple[float, float, float], there: Estimate
) -> tuple[float, float, float]:
    """Hours from the freezer until thawed, low and high end, for fish moved after `gone_h`.

    whole_h: value, low, high where it was; there: from hard frozen in the new place. The share
    that is done is taken as the share of time that has gone [D]: heat is taken up faster at
    first, so the truth lies on the early side, inside the range.

    >>> after_moving(10.0, (40.0, 20.0, 50.0), Estimate(8.0, 6.0, 10.0))
    (16.0, 13.0, 18.0)
    """
    value, low, high = (
        gone_h + (1 - min(1.0, gone_h / whole)) * hours
        for whole, hours in zip(whole_h, (there.value, there.low, there.high), strict=True)
    )
    return value, low, high
