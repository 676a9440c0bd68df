"""How long products thaw in the places of a kitchen, against the science reference.

Hours of section 2.9 (derived there from the solver, which exact solutions check), heat
transfer of 2.3, range of 2.8; MacCallum & Ellis 1964 (abstract read): separation, not
water speed, is what shortens a thaw.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import Form, SpeciesFacts, species_facts
from service.science.estimate import SiteFactor
from service.science.thawing import Body, Shape
from service.site.rules import PlaceKind, Policy, default_policy
from service.thawing.rules.times import (
    SOLID,
    Medium,
    Method,
    Pack,
    ThawTime,
    medium_of,
    pack_of,
    thaw_time,
    ways,
)

COOL, ROOM, TANK = PlaceKind.REFRIGERATOR, PlaceKind.THAW_ROOM, PlaceKind.THAW_TANK
CARTON = Body(Shape.BRICK, 0.1, 0.25, 0.5)
BLOCK = {"block": {"length_mm": 500, "width_mm": 250, "thickness_mm": 100}}
HERRING = species_facts()["HER"]
DEFAULT = default_policy()


def changed(**figures: float) -> Policy:
    return DEFAULT.model_copy(update=figures)


def solid(group: str) -> Pack:
    return Pack(Form.BLOCK, group, CARTON, SOLID)


def hours(pack: Pack, kind: PlaceKind, policy: Policy = DEFAULT) -> ThawTime:
    return thaw_time(pack, medium_of(kind, policy), policy)


@pytest.mark.parametrize(
    ("group", "kind", "transfer", "expected"),
    [
        ("lean", COOL, 8, 92.9),
        ("fatty", COOL, 8, 79.5),
        ("lean", COOL, 15, 61.9),
        ("fatty", COOL, 15, 53.6),
        ("lean", TANK, 150, 13.1),
        ("fatty", TANK, 150, 12.4),
    ],
)
def test_a_solid_carton_takes_the_hours_of_the_reference(
    group: str, kind: PlaceKind, transfer: float, expected: float
) -> None:
    policy = changed(**{f"thaw_transfer_{kind}": transfer})
    found = hours(solid(group), kind, policy)
    assert found.method is Method.MODEL
    # the reference thaws every group to -0.5 °C, we to 0.4 K above its freezing point
    assert found.value == pytest.approx(expected, rel=0.006)


def test_the_range_in_a_refrigerator_is_that_of_its_heat_transfer_first_of_all() -> None:
    # 10-22 W/m²K [M-h] and an elasticity of -0.73 [D]: × ÷ exp(0.73 · ln(2.2)/2) = 1.33
    found = hours(solid("lean"), COOL)
    assert 1.3 < found.high / found.value < 1.4
    assert found.value / found.low == pytest.approx(found.high / found.value)


def test_a_block_is_thawed_as_soon_as_its_fish_or_as_late_as_full_of_ice() -> None:
    # 10 kg in 12.5 L of fish of 1 045 kg/m³: 77 % of it is fish
    pack = pack_of("block", 10_000, BLOCK, HERRING)
    assert pack.filling.low == 0.77
    loose, full = hours(pack, TANK), hours(solid("fatty"), TANK)
    assert loose.value == pytest.approx(full.value * 0.77**0.5)
    assert loose.low < 0.77 * full.value
    assert loose.high > full.value
    assert pack_of("block", 13_000, BLOCK, HERRING).filling == SOLID


@pytest.mark.parametrize(("kind", "figure"), [(COOL, 18), (ROOM, 9), (TANK, 2)])
def test_capelin_laid_five_centimetres_deep_takes_the_hours_that_the_policy_had(
    kind: PlaceKind, figure: float
) -> None:
    fish = {"fish": {"length_mm": 160, "width_mm": 30, "thickness_mm": 20}}
    pack = pack_of("iqf", 10_000, fish, species_facts()["CAP"])
    found = hours(pack, kind)
    assert found.method is Method.MODEL
    assert found.value == pytest.approx(figure, rel=0.2)
    # each alone is far sooner, and a clock must not trust the layer
    alone = hours(pack, kind, changed(thaw_layer_mm=10))
    assert found.low == pytest.approx(alone.low)
    assert alone.value < found.value / 2


def test_separation_and_not_water_makes_a_day_from_the_freezer_possible() -> None:
    # science reference 2.9: 16 h of tempering and then water on the whole block take 27.7 h
    pack = pack_of("block", 13_000, BLOCK, HERRING)
    found = {str(way): way for way in ways(pack, DEFAULT)}
    staged = found["in a refrigerator until it can be taken apart, then single fish in a thaw tank"]
    assert not staged.refrigerated
    temper, finish = staged.stages
    assert (temper.kind, finish.kind) == (COOL, TANK)
    assert 10 < temper.hours.value < 24
    assert finish.hours.value < 3  # 1.8-3.1 h after separation, in 15.5 °C water
    assert staged.time.high < 24 < found["in a refrigerator"].time.low
    assert staged.time.value == pytest.approx(temper.hours.value + finish.hours.value)


@pytest.mark.parametrize(
    ("species", "thickness_mm"),
    [("HER", 28.0), ("CAP", 16.8), ("MAC", 46.5), ("SQI", 49.0)],
)
def test_the_usual_fish_is_as_thick_as_its_mass_and_length_make_it(
    species: str, thickness_mm: float
) -> None:
    # sizes of the trade's table [M-m]; 2a = sqrt(4m/(ρ·0.65·π·β·ℓ)) by hand
    pack = pack_of("block", 10_000, BLOCK, species_facts()[species])
    assert pack.usual_fish is not None
    assert 1000 * pack.usual_fish.thickness_m == pytest.approx(thickness_mm, abs=0.1)


# Figures before physics, and physics before defaults


def test_a_figure_that_the_site_has_set_counts_before_the_physics() -> None:
    found = hours(solid("lean"), TANK, changed(thaw_hours_block_thaw_tank=8.0))
    assert (found.method, found.value) == (Method.SITE, 8.0)
    assert found.low == pytest.approx(5.6)


@pytest.mark.parametrize(
    "shape",
    [
        {},
        {"block": None, "fish": None},
        {"block": {"length_mm": 500, "width_mm": 250, "thickness_mm": 2}},
        {"block": {"length_mm": 9000, "width_mm": 250, "thickness_mm": 100}},
        {"fish": {"length_mm": 30, "width_mm": 2, "thickness_mm": 2}},
    ],
)
@pytest.mark.parametrize("form", list(Form))
def test_a_product_of_no_or_no_likely_size_takes_the_policys_figure(
    form: Form, shape: dict[str, object]
) -> None:
    found = hours(pack_of(form, 10_000, shape, HERRING), TANK)
    assert (found.method, found.value) == (Method.POLICY, DEFAULT.thaw_hours(form, TANK))


def test_ice_and_shatter_packs_keep_the_policys_figure() -> None:
    on_ice = hours(solid("lean"), PlaceKind.ICE)
    assert (on_ice.method, on_ice.value) == (Method.POLICY, 120)
    shatter = Pack(Form.SHATTER_PACK, "lean", CARTON, SOLID, Body(Shape.FISH, 0.03, 0.06))
    assert hours(shatter, TANK).method is Method.POLICY


def test_a_measured_place_counts_as_it_is_and_one_below_zero_as_at_zero() -> None:
    cold = medium_of(COOL, DEFAULT, measured_c=1.04)
    assert cold == Medium(COOL, 1.0, measured=True)
    slow = thaw_time(solid("lean"), cold, DEFAULT)
    assert slow.value > 1.5 * hours(solid("lean"), COOL).value
    assert medium_of(COOL, DEFAULT, measured_c=-2.0).temperature_c == 0.0
    assert medium_of(TANK, DEFAULT, measured_c=40.0).temperature_c == 24.0


def test_a_kitchen_is_as_warm_as_a_thaw_room() -> None:
    kitchen = hours(solid("lean"), PlaceKind.KITCHEN)
    assert kitchen.value == hours(solid("lean"), ROOM).value


# What the site has learned


def test_what_was_learned_moves_the_hours_and_narrows_their_range() -> None:
    factor = SiteFactor()
    for _ in range(5):
        factor = factor.updated(10, 12)
    medium = medium_of(COOL, DEFAULT)
    before = thaw_time(solid("lean"), medium, DEFAULT)
    after = thaw_time(solid("lean"), medium, DEFAULT, learned=factor)
    assert before.value * 1.15 < after.value < before.value * 1.2
    assert after.high / after.low < before.high / before.low
    assert "5 logged thaws" in after.steps[-1]
    assert thaw_time(solid("lean"), medium, DEFAULT, learned=SiteFactor()) == before


fish_of_the_catalogue = st.sampled_from(list(species_facts().values()))
side = st.floats(1, 3000)


@given(
    fish_of_the_catalogue,
    st.sampled_from(list(Form)),
    st.integers(1, 10**8),
    side,
    side,
    side,
    st.sampled_from([COOL, ROOM, TANK, PlaceKind.ICE, PlaceKind.KITCHEN]),
    st.one_of(st.none(), st.floats(-40, 60)),
)
def test_no_product_of_any_size_leaves_a_plan_without_hours(
    species: SpeciesFacts,
    form: Form,
    carton_g: int,
    length: float,
    width: float,
    thickness: float,
    kind: PlaceKind,
    measured_c: float | None,
) -> None:
    size = {"length_mm": length, "width_mm": width, "thickness_mm": thickness}
    pack = pack_of(form, carton_g, {"block": size, "fish": size}, species)
    found = thaw_time(pack, medium_of(kind, DEFAULT, measured_c), DEFAULT)
    assert 0 < found.low <= found.value <= found.high
    assert all(way.time.low > 0 for way in ways(pack, DEFAULT))
