"""How long fish of a product takes to thaw in a place: by the physics, else by a figure."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from math import log, pi, sqrt
from typing import Any

from service.catalogue.rules import Form, SpeciesFacts
from service.science import thaw_table
from service.science.estimate import Z10, Estimate, SiteFactor
from service.science.properties import GROUPS, THAWED_AT_C, density_kg_m3
from service.science.thaw_table import SEPARABLE_CORE_C, Until
from service.science.thawing import Body, Shape
from service.site.rules import THAWS_LIKE, PlaceKind, Policy, default_policy

# 10-90 % of a thaw time taken from a figure [handling_rules.csv, our default].
EARLY, LATE = 0.7, 1.4
# The core of fish as it leaves its freezer. A plan is made before anybody measures
# it, and it matters 0.2 % per kelvin [science reference 2.8; D].
START_C = -20.0
# Logarithmic spread of the surface heat transfer, from its 10-90 % column: a
# refrigerator 10-22, running water 100-300 W/m²K [science reference 2.3; M-h].
TRANSFER_LN_SD = {
    PlaceKind.REFRIGERATOR: log(22 / 10) / (2 * Z10),
    PlaceKind.THAW_ROOM: log(22 / 10) / (2 * Z10),
    PlaceKind.THAW_TANK: log(300 / 100) / (2 * Z10),
}
LEAST_PACKING = 0.5  # of a block, whatever its papers say of its size
LAYER_PACKING = 0.6  # of single fish in a layer
# Of a fish's outline in its box, and depth over thickness [science reference 2.5; M-l].
FORM_FACTOR = 0.65
DEPTH_OF_FAMILY = {"Clupeidae": 2.0, "Engraulidae": 2.0, "Scombridae": 1.3}
USUAL_DEPTH, SQUID_DEPTH = 1.5, 1.0


class Method(StrEnum):
    """Where a thaw time comes from."""

    MODEL = "thaw model"
    SITE = "site's own figure"
    POLICY = "policy figure"


@dataclass(frozen=True)
class ThawTime(Estimate):
    """Hours until thawed, and where they come from."""

    method: Method = Method.POLICY


SOLID = Estimate(1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Pack:
    """What the physics needs of a product: its block, its single fish as stated, or as usual.

    filling: how much of a solid block there is to thaw, between what its carton weighs
    and gaps full of ice, which nobody weighs.
    """

    form: Form
    thermal_group: str
    block: Body | None = None
    filling: Estimate = SOLID
    fish: Body | None = None
    usual_fish: Body | None = None

    @property
    def single_fish(self) -> Body | None:
        """One fish of a block that was taken apart."""
        return self.fish or self.usual_fish


def pack_of(form: str, carton_g: int, shape: Mapping[str, Any], species: SpeciesFacts) -> Pack:
    """The pack of a product. A size outside what the physics knows counts as not stated."""
    block = _block(shape.get("block"))
    group = species.thermal_group
    filling = SOLID if block is None else _filling(block, carton_g, group)
    return Pack(Form(form), group, block, filling, _fish(shape.get("fish")), _usual_fish(species))


def _block(size: Mapping[str, float] | None) -> Body | None:
    if size is None:
        return None
    thickness, width, length = sorted(
        size[side] / 1000 for side in ("length_mm", "width_mm", "thickness_mm")
    )
    if not 0.005 <= thickness <= 0.5 or length > 5:
        return None
    return Body(Shape.BRICK, thickness, width, length)


def _filling(block: Body, carton_g: int, group: str) -> Estimate:
    """Between the share of the block that is fish and all of it: the gaps may hold ice."""
    solid_kg = thawed_density_kg_m3(group) * block.thickness_m
    solid_kg *= (block.width_m or 0.0) * (block.length_m or 0.0)
    share = min(1.0, max(LEAST_PACKING, round(carton_g / 1000 / solid_kg, 2)))
    if share == 1.0:
        return SOLID
    step = f"{100 * share:.0f} % of the block is fish; its gaps may be empty or full of ice"
    return Estimate(sqrt(share), share, 1.0, steps=(step,))


def _fish(size: Mapping[str, float] | None) -> Body | None:
    if size is None:
        return None
    thickness, depth = sorted((size["thickness_mm"] / 1000, size["width_mm"] / 1000))
    return Body(Shape.FISH, thickness, depth) if 0.005 <= thickness <= depth <= 0.5 else None


def _usual_fish(species: SpeciesFacts) -> Body | None:
    """A fish at the large end of its species: the slow side."""
    if species.mass_high_g is None or species.length_high_cm is None:
        return None
    depth = DEPTH_OF_FAMILY.get(species.family, USUAL_DEPTH)
    depth = SQUID_DEPTH if species.thermal_group == "squid" else depth
    around = thawed_density_kg_m3(species.thermal_group) * FORM_FACTOR * pi * depth
    thickness = sqrt(4 * species.mass_high_g / 1000 / (around * species.length_high_cm / 100))
    thickness = round(max(0.005, thickness), 4)
    return Body(Shape.FISH, thickness, round(thickness * depth, 4))


@lru_cache(maxsize=8)
def thawed_density_kg_m3(group: str) -> float:
    """Of solid fish of a thermal group at +5 °C."""
    return float(density_kg_m3(GROUPS[group], THAWED_AT_C))


@dataclass(frozen=True)
class Medium:
    """What fish thaws in: a kind of place at a temperature, measured or from the policy."""

    kind: PlaceKind
    temperature_c: float
    measured: bool = False


def medium_of(kind: PlaceKind, policy: Policy, measured_c: float | None = None) -> Medium:
    """A place as it was measured, else as the policy takes it; a kitchen as a thaw room."""
    if measured_c is None:
        like, _ = THAWS_LIKE.get(kind, (kind, 1.0))
        return Medium(kind, float(getattr(policy, f"thaw_medium_{like}")))
    coldest, warmest = thaw_table.COLDEST_MEDIUM_C, thaw_table.WARMEST_MEDIUM_C
    return Medium(kind, round(min(max(measured_c, coldest), warmest), 1), measured=True)


def thaw_time(
    pack: Pack,
    medium: Medium,
    policy: Policy,
    *,
    learned: SiteFactor | None = None,
) -> ThawTime:
    """Hours until a product is fully thawed in a place.

    A figure that the site has set for its form and place counts before the physics,
    which counts before the policy's default. What the site has learned of product
    and place multiplies the physics, and its spread replaces the physics' own.
    """
    figure = policy.thaw_hours(pack.form, medium.kind)
    if figure != default_policy().thaw_hours(pack.form, medium.kind):
        return _figure(figure, Method.SITE)
    found = _whole(pack, medium, policy)
    if found is None:
        return _figure(figure, Method.POLICY)
    if learned is None or not learned.logs:
        return _as_time(found)
    factor = learned.factor()
    return _as_time(
        found.changed(
            found.value * factor.value,
            found.value * factor.low,
            found.value * factor.high,
            steps=factor.steps,
            sources=factor.sources,
        )
    )


def _figure(hours: float, method: Method) -> ThawTime:
    step = f"{hours:g} h, 10-90 % from × {EARLY:g} to × {LATE:g}"
    steps, sources = (step,), ("our default from the physics [D]",)
    if method is Method.SITE:
        sources = ("set by the site",)
    return ThawTime(hours, hours * EARLY, hours * LATE, "h", steps, sources, method)


def _as_time(found: Estimate) -> ThawTime:
    return ThawTime(**vars(found), method=Method.MODEL)


def _whole(pack: Pack, medium: Medium, policy: Policy) -> Estimate | None:
    """By the physics, as it comes out of its carton; None where nobody knows.

    A shatter pack falls apart on its way, which is not modelled.
    """
    if pack.form is Form.BLOCK:
        return _block_time(pack, medium, policy, Until.THAWED)
    if pack.form is Form.IQF:
        return _layer_time(pack.fish, pack, medium, policy, START_C)
    return None


def _block_time(pack: Pack, medium: Medium, policy: Policy, until: Until) -> Estimate | None:
    found = _modelled(pack.block, pack, medium, policy, START_C, until)
    return found.times(pack.filling) if found else None


def _layer_time(
    fish: Body | None, pack: Pack, medium: Medium, policy: Policy, start_c: float
) -> Estimate | None:
    """Single fish as deep as the site lays them; as early as each alone.

    A heap of fish is a block of the heap's depth with air in it [science reference
    2.5; M-l], and a layer no deeper than a fish is single fish.
    """
    alone = _modelled(fish, pack, medium, policy, start_c)
    if fish is None or policy.thaw_layer_mm <= 1000 * fish.thickness_m:
        return alone
    layer = Body(Shape.SLAB, policy.thaw_layer_mm / 1000, packing=LAYER_PACKING)
    found = _modelled(layer, pack, medium, policy, start_c)
    if alone is None or found is None:
        return alone
    step = f"single fish may be thawed after {alone.low:.1f} h"
    return found.changed(found.value, min(found.low, alone.low), found.high, steps=(step,))


def _modelled(
    body: Body | None,
    pack: Pack,
    medium: Medium,
    policy: Policy,
    start_c: float,
    until: Until = Until.THAWED,
) -> Estimate | None:
    """By the physics; None without a size, on ice, and outside the table."""
    kind, _ = THAWS_LIKE.get(medium.kind, (medium.kind, 1.0))
    if body is None or medium.kind is PlaceKind.ICE:
        return None
    try:
        return thaw_table.thaw_time(
            pack.thermal_group,
            body,
            medium.temperature_c,
            float(getattr(policy, f"thaw_transfer_{kind}")),
            start_c=start_c,
            until=until,
            coefficient_ln_sd=TRANSFER_LN_SD[kind],
        )
    except ValueError:
        return None


@dataclass(frozen=True)
class Stage:
    """A part of a thaw: where, how far, and how long."""

    kind: PlaceKind
    until: Until
    hours: Estimate


@dataclass(frozen=True)
class Way:
    """A way to thaw a product: one stage, or several."""

    stages: tuple[Stage, ...]
    time: ThawTime

    @property
    def kind(self) -> PlaceKind:
        """Where it ends."""
        return self.stages[-1].kind

    @property
    def refrigerated(self) -> bool:
        """Whether all of it is under refrigeration."""
        return all(stage.kind is PlaceKind.REFRIGERATOR for stage in self.stages)

    def __str__(self) -> str:
        places = [f"a {stage.kind.replace('_', ' ')}" for stage in self.stages]
        if len(places) == 1:
            return f"in {places[0]}"
        return f"in {places[0]} until it can be taken apart, then single fish in {places[1]}"


def ways(pack: Pack, policy: Policy) -> list[Way]:
    """Every way to thaw a product: in one place, or tempered, taken apart and finished.

    Only blocks are taken apart. Places as the policy takes them: nobody has said which.
    """
    kinds = (PlaceKind.REFRIGERATOR, PlaceKind.THAW_ROOM, PlaceKind.THAW_TANK)
    found = []
    for kind in kinds:
        time = thaw_time(pack, medium_of(kind, policy), policy)
        found.append(Way((Stage(kind, Until.THAWED, time),), time))
    staged = (_staged(pack, kind, policy) for kind in kinds[1:])
    return [*found, *(way for way in staged if way is not None)]


def _staged(pack: Pack, last: PlaceKind, policy: Policy) -> Way | None:
    """Tempered in a refrigerator until it can be taken apart, then single fish elsewhere.

    The second stage starts from the core of the first, the coldest of the block: the
    slow side.
    """
    if pack.form is not Form.BLOCK:
        return None
    cool = medium_of(PlaceKind.REFRIGERATOR, policy)
    last_medium = medium_of(last, policy)
    temper = _block_time(pack, cool, policy, Until.SEPARABLE)
    finish = _layer_time(pack.single_fish, pack, last_medium, policy, SEPARABLE_CORE_C)
    if temper is None or finish is None:
        return None
    stages = (
        Stage(PlaceKind.REFRIGERATOR, Until.SEPARABLE, temper),
        Stage(last, Until.THAWED, finish),
    )
    return Way(stages, _as_time(temper.plus(finish)))
