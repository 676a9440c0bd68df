"""The two members of a lot that an excursion is judged by: a carton at the corner, and the stack.

The corner carton stands free on all faces: the warmest that the lot can have, and what
rules go by. The core of the stack is what most of the lot is like.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

from service.science.assessment import COEFFICIENTS, Packed
from service.science.estimate import Estimate
from service.science.properties import GROUPS, THAWED_AT_C, density_kg_m3
from service.science.thawing import Body, Shape

# Of a carton whose size nobody has told: flat, so that it warms rather too soon. [ours, low]
USUAL_SIDES = (1.0, 2.5, 3.5)
LOOSE_PACKING = 0.6  # of single fish in a carton [science reference 1.2; M-l]
LEAST_PACKING = 0.5
# A pallet of 1.2 m × 0.8 m loaded 1.6 m high: the largest stack that is supposed. [memory, medium]
PALLET_M = (0.8, 1.2, 1.6)
THINNEST_M, THICKEST_M, LONGEST_M = 0.005, 0.5, 5.0

# Nobody has told whether the freezer's fan blows at the carton: from still air to moving air.
CORNER = Estimate(
    COEFFICIENTS[Packed.CARTON_IN_FAN].value,
    COEFFICIENTS[Packed.CARTON].low,
    COEFFICIENTS[Packed.CARTON_IN_FAN].high,
    "W/m²K",
    sources=COEFFICIENTS[Packed.CARTON].sources,
)
# A stack's faces see no stronger air than a carton's: its core is never the warmer one.
INSIDE = Estimate(
    COEFFICIENTS[Packed.STACK].value,
    COEFFICIENTS[Packed.STACK].low,
    CORNER.high,
    "W/m²K",
    sources=COEFFICIENTS[Packed.STACK].sources,
)


@dataclass(frozen=True)
class Packing:
    """One carton of a product as the physics sees it, and what was supposed of it."""

    carton: Body
    carton_g: int
    assumed: str


@dataclass(frozen=True)
class Stack:
    """How the cartons of a lot stand: the brick they make, how many, the share at its outside.

    outer_share : of the fish, within one carton's height of a face.
    """

    body: Body
    cartons: int
    outer_share: float
    assumed: str


def packing_of(form: str, carton_g: int, shape: Mapping[str, Any], thermal_group: str) -> Packing:
    """A carton of a product: its block as stated, else a usual carton of that mass.

    >>> block = {"block": {"length_mm": 500, "width_mm": 250, "thickness_mm": 100}}
    >>> packing_of("block", 10_000, block, "fatty").carton
    Body(shape=<Shape.BRICK: 'brick'>, thickness_m=0.1, width_m=0.25, length_m=0.5, packing=0.77)
    """
    solid = _solid_density_kg_m3(thermal_group)
    stated = _stated(shape.get("block"))
    if stated is not None:
        sides, assumed = stated, f"carton as its block, {_sides(stated)}"
        volume = sides[0] * sides[1] * sides[2]
        packing = min(1.0, max(LEAST_PACKING, round(carton_g / 1000 / (solid * volume), 2)))
    else:
        packing = 1.0 if form == "block" else LOOSE_PACKING
        unit = (carton_g / 1000 / (solid * packing) / _product(USUAL_SIDES)) ** (1 / 3)
        a, b, c = (round(min(max(side * unit, THINNEST_M), LONGEST_M), 3) for side in USUAL_SIDES)
        sides = (a, b, c)
        assumed = f"size of the carton not stated: {_sides(sides)} supposed"
    return Packing(Body(Shape.BRICK, *sides, packing=packing), carton_g, assumed)


def _stated(size: Mapping[str, float] | None) -> tuple[float, float, float] | None:
    """The sides of a block in metres, smallest first; None for one outside the physics."""
    if size is None:
        return None
    a, b, c = sorted(size[side] / 1000 for side in ("length_mm", "width_mm", "thickness_mm"))
    return (a, b, c) if THINNEST_M <= a <= THICKEST_M and c <= LONGEST_M else None


def _solid_density_kg_m3(group: str) -> float:
    return float(density_kg_m3(GROUPS[group], THAWED_AT_C))


def _product(sides: tuple[float, ...]) -> float:
    return sides[0] * sides[1] * sides[2]


def _sides(sides: tuple[float, ...]) -> str:
    return " × ".join(f"{1000 * side:.0f}" for side in sides) + " mm"


def stack_of(packing: Packing, grams: int) -> Stack:
    """The tightest stack that so much of a product makes, at most one pallet of it.

    Many pallets are judged as one: a pallet more stands in the same air.

    >>> her = packing_of("block", 10_000, {}, "fatty")
    >>> stack = stack_of(her, 640_000)
    >>> stack.cartons, [round(s, 2) for s in (stack.body.thickness_m, stack.body.length_m)]
    (64, [0.72, 1.03])
    """
    carton = packing.carton
    sides = (carton.length_m or 0.0, carton.width_m or 0.0, carton.thickness_m)
    cartons = max(1, round(grams / packing.carton_g))
    counts = _tightest(sides, cartons)
    filled = sorted(round(side * count, 3) for side, count in zip(sides, counts, strict=True))
    thickness, width, length = filled
    inner = [max(0.0, 1.0 - 2 * carton.thickness_m / side) for side in filled]
    return Stack(
        Body(Shape.BRICK, thickness, width, length, carton.packing),
        cartons,
        round(1.0 - _product(tuple(inner)), 3),
        f"stacked tightly, {counts[0]} × {counts[1]} × {counts[2]} cartons",
    )


def _tightest(sides: tuple[float, float, float], cartons: int) -> tuple[int, int, int]:
    """Cartons along each side: as thick as may be, and then as many as may be."""
    longest, width, height = sides
    most = [
        max(1, min(cartons, int(room / side + 1e-9)))
        for room, side in zip((PALLET_M[1], PALLET_M[0], PALLET_M[2]), sides, strict=True)
    ]
    ways = (
        way
        for way in product(*(range(1, each + 1) for each in most))
        if way[0] * way[1] * way[2] <= cartons
    )

    def tightness(way: tuple[int, ...]) -> tuple[float, int, tuple[int, ...]]:
        thinnest = min(way[0] * longest, way[1] * width, way[2] * height, 1.0)
        return (round(thinnest, 6), way[0] * way[1] * way[2], way)

    best = max(ways, key=tightness)
    return best[0], best[1], best[2]
