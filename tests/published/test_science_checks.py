"""Every row of `data/science_checks.csv` worked by our functions, within the row's tolerance.

Sources stand in the rows: published tables and worked examples where there are any,
else arithmetic done before this code was written. A flag says how well the source is
known: R read, R2 read in several reproductions, M memory (high, medium, low), D
derived by us. What is checked against other programs and exact solutions stands in
the other files of this folder and in `tests/science`.
"""

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import inf, log, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from service.catalogue.rules import ICE_LIFE_D, default_content, life_profile
from service.decisions import Outcome
from service.figures import number, table
from service.quality.rules import warmth_findings
from service.science import heat
from service.science.allocation import Allocation, Request, Stock, allocate, pour
from service.science.arrays import Array
from service.science.dosing import Need, Offer, amount_needed, choose_pieces
from service.science.energy import (
    basal_kcal_per_day,
    food_kg_per_day,
    gross_kj_per_100g,
    metabolisable_kcal_per_100g,
)
from service.science.estimate import Estimate, SiteFactor
from service.science.exposure import (
    DAY_S,
    HOUR_S,
    THRESHOLDS_C,
    RateTable,
    Spread,
    between,
    gap_bound,
    mean_rate_from_spread,
    merged,
    prefix_sums,
    seconds_above,
)
from service.science.kinetics import (
    arrhenius_factor,
    arrhenius_from_rates,
    hours_to_histamine,
    mean_kinetic_temperature_c,
)
from service.science.ordering import most_to_order_kg
from service.science.outage import follow, hours_to_warm, octant
from service.science.properties import (
    CONDUCTIVITY_W_MK,
    DENSITY_KG_M3,
    GROUPS,
    SPECIFIC_HEAT_KJ_KGK,
    Composition,
    component,
    conductivity_w_mk,
    density_kg_m3,
    enthalpy_kj_kg,
    ice_fraction,
    specific_heat_kj_kgk,
    tchigeov_ice_fraction,
)
from service.science.residual import LOSS_RATES, LossRate, assay_ln_sd, residual
from service.science.sampling import (
    PlanRow,
    acceptance_probability,
    exact_interval,
    histamine,
    mean_estimate,
    plan_for,
    three_class,
    upper_bound_of_none,
)
from service.science.shapes import brick_factor, ellipse_factor
from service.science.storage_life import (
    DAYS_PER_MONTH,
    LifeProfile,
    days_left,
    life_rate_per_day,
    life_used,
    practical_storage_life_d,
    relative_spoilage_rate,
)
from service.science.thawing import Body, Shape, Stage, fully_thawed_core_c, hours_to_core
from service.science.vitamins import RETINOL, RRR_TOCOPHEROL, iu_from_mg, mg_from_umol
from service.site.rules import default_policy
from tests.published.white_fish import KJ_PER_KCAL, WHITE_FISH_KCAL_KG
from tests.science.exact import neumann_lambda, series_theta, two_phase_tables

Answer = float | tuple[float, ...] | str
LEAN, FATTY = GROUPS["lean"], GROUPS["fatty"]


# --- 1 thermal properties


def conductivity(name: str, at_c: float) -> float:
    return float(component(CONDUCTIVITY_W_MK, name, at_c))


def density(name: str, at_c: float) -> float:
    return float(component(DENSITY_KG_M3, name, at_c))


def specific_heat(name: str, at_c: float) -> float:
    return float(component(SPECIFIC_HEAT_KJ_KGK, name, at_c))


# Lean beef of the handbook's example: water and protein as printed, the rest of it as fat.
BEEF = Composition(0.5821, 0.1748, 0.2431, 0.0, 0.0, -1.7)


def enthalpy(food: Composition, at_c: float) -> float:
    return float(enthalpy_kj_kg(food, at_c))


def heat_to_freeze_150_kg_of_beef_mj() -> float:
    return 150 * (enthalpy(BEEF, 10) - enthalpy(BEEF, -20)) / 1000


def measured(at_c: int) -> float:
    """Of white fish, as printed."""
    return WHITE_FISH_KCAL_KG[at_c] * KJ_PER_KCAL


def measured_heat_from_10_to_minus_30_kcal() -> float:
    at_minus_30 = (WHITE_FISH_KCAL_KG[-32] + WHITE_FISH_KCAL_KG[-28]) / 2
    return WHITE_FISH_KCAL_KG[10] - at_minus_30


# --- 2 thawing

BLOCK = Body(Shape.SLAB, 0.1)
FIVE_CM = Body(Shape.CYLINDER, 0.05)
BRICK = Body(Shape.BRICK, 0.1, 0.25, 0.5)
WITH_TF_OF_MINUS_1 = replace(LEAN, freezing_point_c=-1.0)  # the rows call it C0
TYLOSE = {"heat_frozen": 1.90e6, "heat_thawed": 3.71e6, "latent": 209e6}


def growth_of_the_front_in_tylose() -> float:
    """The exact solution; that our solver finds it is tested in `test_thawing`."""
    tables = two_phase_tables(k_frozen=1.65, k_thawed=0.55, freezing_c=-0.6, **TYLOSE)
    return neumann_lambda(tables, spans_k=(10 + 0.6, 20 - 0.6), **TYLOSE)


def front_in_tylose_after_10_h_mm() -> float:
    return 2000 * growth_of_the_front_in_tylose() * sqrt(0.55 / TYLOSE["heat_thawed"] * 36_000)


def thaw_h(
    food: Composition, body: Body, medium_c: float, coefficient: float, *, cells: int = 10
) -> float:
    """From -20 °C to a core of -0.5 °C.

    Fully thawed is 0.4 K above the freezing point: -0.5 °C for lean fish. The rows of
    fatty fish (S40) and of a freezing point of -2.2 °C (S43) were worked to -0.5 °C
    too, where the rule would say -0.7 and -1.8 °C; they hold for -0.5 °C and are
    compared there. The next test shows what the rule's own target gives.
    """
    stage = Stage(medium_c, coefficient)
    return hours_to_core(food, body, [stage], start_c=-20, core_c=-0.5, cells=cells)


def thaw_of_the_brick_in_space_h() -> float:
    """By the octant solver, 16 cells a side."""
    at_s = np.arange(22 * 60 + 1) * 60.0
    air = np.full(at_s.size, 10.0)
    core = octant(WITH_TF_OF_MINUS_1, BRICK, 25, at_s, air, start_c=-20, cells=16).core_c
    return float(np.interp(-0.5, core, at_s)) / HOUR_S


def how_much_too_fast_a_freezing_point_of_minus_2_2_is() -> float:
    handbook = replace(LEAN, freezing_point_c=-2.2)
    return thaw_h(handbook, BLOCK, 3, 10) / thaw_h(LEAN, BLOCK, 3, 10)


def test_to_their_own_targets_fatty_fish_and_a_low_freezing_point_thaw_a_little_sooner() -> None:
    # Rows S40 and S43 print 59.77 h (± 0.1) and 0.684 (± 0.005), both worked to -0.5 °C.
    fan, still = [Stage(3, 15)], [Stage(3, 10)]
    fatty_h = hours_to_core(FATTY, BLOCK, fan, start_c=-20, core_c=fully_thawed_core_c(FATTY))
    assert fatty_h == pytest.approx(59.59, abs=0.01)
    handbook = replace(LEAN, freezing_point_c=-2.2)
    target_c = fully_thawed_core_c(handbook)
    handbook_h = hours_to_core(handbook, BLOCK, still, start_c=-20, core_c=target_c)
    assert handbook_h / thaw_h(LEAN, BLOCK, 3, 10) == pytest.approx(0.663, abs=5e-4)


def factor_after_three_thaws() -> SiteFactor:
    """Ratios 1.20, 1.12 and 1.30, without the forgetting that `updated` adds."""
    learned = SiteFactor()
    for ratio in (1.20, 1.12, 1.30):
        learned = learned._with(log(ratio), 0.12, fading=1.0)
    return learned


# --- 3 outages


def warmest_in_the_middle_of_a_gap_of_4_h() -> float:
    bound = gap_bound(
        0,
        4 * HOUR_S,
        -20,
        -18,
        ambient_c=20,
        warm_up_s=4 * HOUR_S,
        pull_down_k_per_s=10 / HOUR_S,
    )
    return float(np.interp(2 * HOUR_S, bound.at_s, bound.envelope_c))


def core_in_air_of_5_c_after(hours: int) -> float:
    at_s = np.arange(12 * hours + 1) * 300.0
    history = follow(LEAN, BLOCK, 6, at_s, np.full(at_s.size, 5.0), start_c=-20)
    return float(history.core_c[-1])


# --- 4 storage life

LIFE = {
    "lean": life_profile("lean", ICE_LIFE_D["lean"]),
    "fatty": life_profile("fatty", ICE_LIFE_D["fatty"]),
    "torry herring": life_profile("torry_herring_gutted", ICE_LIFE_D["fatty"]),
}
FIVE_STORES = [(60, -25), (7, -18), (120, -22), (2, -8), (90, -20)]


def life_d(profile: str, at_c: float) -> float:
    return float(practical_storage_life_d(LIFE[profile], at_c))


def percent_used_in_a_day(profile: str, begin_c: float, end_c: float) -> float:
    rate = RateTable(partial(life_rate_per_day, LIFE[profile]))
    return 100 * float(rate.mean(begin_c, end_c))


def months_left_after_three_stores() -> float:
    ladder = LifeProfile("ladder", (-30.0, -20.0, -10.0), (22.0, 12.0, 6.0), 8.0)
    # a hair below -10 °C: at -10 °C itself spoilage is compared too
    stays = [(6, -20.0), (2, -10.0001), (1, -30.0)]
    used = life_used(ladder, [(m * DAYS_PER_MONTH, c) for m, c in stays])
    return days_left(ladder, used, -20.0) / DAYS_PER_MONTH


def where_bacteria_overtake_rancidity(profile: str) -> float:
    def lead(at_c: float) -> float:
        rate = float(life_rate_per_day(LIFE[profile], at_c))
        return rate * life_d(profile, at_c) - 1 - 1e-9

    return float(brentq(lead, -9, -2))


SPOILAGE = RateTable(relative_spoilage_rate)


def days_on_ice(*stays: tuple[float, float]) -> float:
    return sum(hours / 24 * float(SPOILAGE.at(at_c)) for hours, at_c in stays)


# --- 5 time above


HOURLY = np.array([2.0, 6.0, 10.0, 22.0, 8.0, 3.0])


def hours_above(limit_c: float) -> float:
    return float(seconds_above(HOUR_S, HOURLY[:-1], HOURLY[1:], limit_c).sum()) / HOUR_S


def warmth(*stays: tuple[float, float]) -> str:
    """Whether fish that stood warm for (hours, °C) passes; the rows from memory warn."""
    above = np.zeros(len(THRESHOLDS_C))
    for hours, at_c in stays:
        above += [float(seconds_above(hours * HOUR_S, at_c, at_c, c)) for c in THRESHOLDS_C]
    (found,) = warmth_findings(above, default_policy())
    return "pass" if found.outcome is Outcome.PASS else "fail"


# --- 6 vitamins

WEEKS = 17
VITAMIN_E = LOSS_RATES["VITE"]


def weekly_loss(fresh: float, left: float) -> float:
    """The rate at which our law of loss leaves what was measured after 17 weeks."""

    def too_much(rate: float) -> float:
        return residual(fresh, WEEKS, LossRate(rate, 1.0), content_ln_sd=0.0).value - left

    return float(brentq(too_much, 0.0, 1.0, xtol=1e-12))


TROUT_AT_MINUS_18, TROUT_AT_MINUS_12 = weekly_loss(711.3, 228.8), weekly_loss(711.3, 52.4)


def activation_energy_of_trout() -> float:
    return arrhenius_from_rates(TROUT_AT_MINUS_18, -18, TROUT_AT_MINUS_12, -12)


def vitamin_e_after_90_d() -> Estimate:
    return residual(1.0, 90, VITAMIN_E, content_ln_sd=0.0)


def vitamin_e_after_120_d_colder_and_30_d() -> float:
    equivalent = 120 * float(arrhenius_factor(-24)) + 30 * float(arrhenius_factor(-18))
    return residual(1.0, equivalent, VITAMIN_E, content_ln_sd=0.0).value


def lowest_of_three_assays_and_a_loss_of_a_half_mg_kg() -> float:
    days = 0.5 / VITAMIN_E.per_day_at_minus_18
    return residual(12, days, VITAMIN_E, content_ln_sd=assay_ln_sd(0.15, 3)).low


# --- 8 supplements


def vitamin_e_to_add_to_fresh_herring() -> float:
    content = float(iu_from_mg(RRR_TOCOPHEROL, 10 * 1.07))
    assert default_content("HER")["VITE"] == pytest.approx(content, abs=0.01)
    return amount_needed(100, content)


def tablets(pieces_per_tablet: int) -> tuple[float, float]:
    """Excess and number of pieces of the worked example."""
    contents: dict[str, dict[str, float]] = {
        "B1-250": {"THIA": 250.0},
        "B1-100": {"THIA": 100.0},
        "E-400": {"VITE": 400.0},
        "E-100": {"VITE": 100.0},
        "MULTI": {"THIA": 50.0, "VITE": 200.0, "VITA": 2500.0},
    }
    offers = [
        Offer(name, {n: a / pieces_per_tablet for n, a in held.items()}, pieces_per_tablet)
        for name, held in contents.items()
    ]
    needs = [Need("THIA", 137.5, 275), Need("VITE", 500, 750), Need("VITA", 0, 2600)]
    dose = choose_pieces(needs, offers)
    return dose.excess, sum(dose.pieces.values())


# --- 9 sampling


def plan(cartons: int) -> tuple[float, float]:
    """Sample and most defectives, from the plans that the service ships."""
    rows_of_plans = [
        PlanRow(
            row["inspection_level"],
            number(row["unit_mass_above_kg"]) or 0.0,
            number(row["unit_mass_up_to_kg"]) or inf,
            int(row["lot_units_from"]),
            int(number(row["lot_units_to"]) or 10**9),
            int(row["n"]),
            int(row["c"]),
        )
        for row in table("sampling_plans")
        if row["plan_id"] == "cxs233"
    ]
    row = plan_for(rows_of_plans, cartons=cartons, carton_kg=12.5, level="I")
    return row.sample, row.accept


def judged(values: Sequence[float]) -> str:
    """The verdict on histamine, and the mean, or that one value alone was too much."""
    found = histamine(values)
    within_otherwise = found.mean <= 100 and found.between <= 2
    if found.verdict == "reject" and within_otherwise:
        return f"{found.verdict} (> 200)"
    return f"{found.verdict} (mean {found.mean:.1f})"


# --- 10 hours


def faster_when_warm(at_c: Array) -> Array:
    """3.2 times faster ten degrees warmer, 1 at -18 °C."""
    rate: Array = 3.2 ** ((at_c + 18) / 10)
    return rate


Q10 = RateTable(faster_when_warm)


def held(weight: float, mean_c: float, m2: float = 0.0) -> Spread:
    return Spread(np.array(weight), np.array(mean_c), np.array(m2))


HALF_AND_HALF = merged(held(1800, -18), held(1800, -10))


def merged_hours() -> tuple[float, float]:
    both = merged(held(3, -20, 6), held(1, -12, 2))
    return float(both.mean_c), float(both.m2)


def exact_rate_of_two_halves() -> float:
    return (float(Q10.mean(-18, -18)) + float(Q10.mean(-10, -10))) / 2


def used_in_12_and_a_half_hours() -> float:
    prefix = prefix_sums(np.arange(24) * HOUR_S, np.full(24, HOUR_S / (100 * DAY_S)))
    return float(between(prefix, 0, 12.5 * HOUR_S)[0])


# --- 11 who gets what

ANY = (0.0, 1.0)


def takes() -> str:
    """Each request's kilograms from the older and the newer lot; a lot of none is not named."""
    stock = [Stock("old", "HER", 30), Stock("new", "HER", 50)]
    requests = [Request("1", 20, {"HER": ANY}), Request("2", 45, {"HER": ANY})]

    def written(found: Allocation) -> str:
        got = {(t.request, t.lot): t.amount for t in found.takes}
        each = ("+".join(f"{got.get((r, lot), 0):g}" for lot in ("old", "new")) for r in ("1", "2"))
        return "; ".join(each)

    poured = written(pour(stock, [("1", 20), ("2", 45)]))
    assert poured == written(allocate(stock, requests))
    return poured


def shortage_and_that_of_who_serves_in_order() -> str:
    stock = [Stock("a", "A", 10), Stock("b", "B", 10)]
    only, either = Request("1", 10, {"A": ANY}), Request("2", 10, {"A": ANY, "B": ANY})
    short = sum(allocate(stock, [only, either]).shortages.values())
    greedy = pour(stock[:1], [("2", 10), ("1", 10)]).shortages["1"]
    return f"{short:g} (greedy in wrong order: {greedy:g})"


WORKED: dict[str, Callable[[], Answer]] = {
    "S01": lambda: conductivity("ice", -20),
    "S02": lambda: conductivity("water", 0),
    "S03": lambda: conductivity("water", 20),
    "S04": lambda: conductivity("protein", -20),
    "S05": lambda: conductivity("fat", -20),
    "S06": lambda: density("ice", -20),
    "S07": lambda: density("water", 20),
    "S08": lambda: density("protein", 5),
    "S09": lambda: specific_heat("ice", -20),
    "S10": lambda: specific_heat("protein", 10),
    "S11": lambda: specific_heat("water", 20),
    "S12": lambda: float(tchigeov_ice_fraction(0.58, -1.7, -20)),
    "S13": lambda: enthalpy(BEEF, -20),
    "S14": lambda: enthalpy(BEEF, -1.7),
    "S15": lambda: enthalpy(BEEF, 10),
    "S16": heat_to_freeze_150_kg_of_beef_mj,
    "S17": lambda: measured(-20),
    "S18": lambda: measured(-10),
    "S19": lambda: measured(-2),
    "S20": lambda: measured(0),
    "S21": measured_heat_from_10_to_minus_30_kcal,
    "S22": lambda: enthalpy(LEAN, -20),
    "S23": lambda: enthalpy(LEAN, 5),
    "S24": lambda: enthalpy(LEAN, -20) - 42.0,
    "S25": lambda: enthalpy(FATTY, 0) - enthalpy(FATTY, -20),
    "S26": lambda: float(density_kg_m3(LEAN, 5)),
    "S27": lambda: float(conductivity_w_mk(LEAN, -20)),
    "S28": lambda: float(conductivity_w_mk(LEAN, 5)),
    "S29": lambda: float(conductivity_w_mk(FATTY, -20)),
    "S30": lambda: float(ice_fraction(LEAN, -5)) / LEAN.water,
    "S31": lambda: float(specific_heat_kj_kgk(LEAN, -10)),
    "S32": growth_of_the_front_in_tylose,
    "S33": front_in_tylose_after_10_h_mm,
    "S34": lambda: series_theta(heat.SLAB, 1.0, 1.0, 0.0),
    "S35": lambda: thaw_h(WITH_TF_OF_MINUS_1, BLOCK, 10, 25),
    "S36": lambda: thaw_h(WITH_TF_OF_MINUS_1, BLOCK, 10, 25, cells=160),
    "S37": thaw_of_the_brick_in_space_h,
    "S38": lambda: thaw_h(LEAN, BLOCK, 3, 10),
    "S39": lambda: thaw_h(LEAN, BLOCK, 3, 8),
    "S40": lambda: thaw_h(FATTY, BLOCK, 3, 15),
    "S41": lambda: thaw_h(LEAN, FIVE_CM, 3, 10),
    "S42": lambda: thaw_h(LEAN, FIVE_CM, 10, 150),
    "S43": how_much_too_fast_a_freezing_point_of_minus_2_2_is,
    "S44": lambda: float(brick_factor(1.0, 1.0, 1.0)),
    "S45": lambda: float(brick_factor(1.2, 2.5, 5.0)),
    "S46": lambda: float(brick_factor(1.0, 2.0, 2.0)),
    "S47": lambda: float(brick_factor(10.0, 4.0, 5.0)),
    "S48": lambda: float(brick_factor(0.001, 1.0, 1.0)),
    "S49": lambda: float(ellipse_factor(0.482, 2.0)),
    "S50": lambda: factor_after_three_thaws().mean,
    "S51": lambda: factor_after_three_thaws().factor().high,
    "S52": lambda: hours_to_warm(LEAN, 200, 2.5, 25, start_c=-18, end_c=-9),
    "S53": lambda: hours_to_warm(LEAN, 200, 2.5, 25, start_c=-18, end_c=-5),
    "S54": warmest_in_the_middle_of_a_gap_of_4_h,
    "S55": lambda: core_in_air_of_5_c_after(12),
    "S56": lambda: core_in_air_of_5_c_after(24),
    "S57": lambda: 100 * life_used(LIFE["fatty"], FIVE_STORES),
    "S58": lambda: 100 * life_used(LIFE["lean"], FIVE_STORES),
    "S59": lambda: life_d("lean", -21),
    "S60": lambda: life_d("fatty", -15),
    "S61": lambda: percent_used_in_a_day("lean", -18, -12),
    "S62": lambda: percent_used_in_a_day("fatty", -24, -12),
    "S63": lambda: life_used(LIFE["torry herring"], [(60, -29), (30, -21), (3, -9)]),
    "S64": lambda: life_d("torry herring", -25) / DAYS_PER_MONTH,
    "S65": months_left_after_three_stores,
    "S66": lambda: where_bacteria_overtake_rancidity("lean"),
    "S67": lambda: where_bacteria_overtake_rancidity("fatty"),
    "S68": lambda: float(relative_spoilage_rate(5)),
    "S69": lambda: float(relative_spoilage_rate(10)),
    "S70": lambda: float(SPOILAGE.mean(0, 10)),
    "S71": lambda: days_on_ice((6, 4.0), (2, 15.0), (12, 1.0)),
    "S72": lambda: mean_kinetic_temperature_c([20, 30]),
    "S73": lambda: mean_kinetic_temperature_c([15, 20, 25, 30]),
    "S74": lambda: mean_kinetic_temperature_c([25, 40], [29, 1]),
    "S75": lambda: mean_kinetic_temperature_c([-20, 0], [364, 1]),
    "S76": lambda: hours_above(4.4),
    "S77": lambda: hours_above(10.0),
    "S78": lambda: hours_above(21.1),
    "S79": lambda: warmth((20.0, 8.0)),
    "S80": lambda: warmth((12.0, 8.0), (1.0, 22.0)),
    "S81": lambda: float(hours_to_histamine(20)),
    "S82": lambda: float(hours_to_histamine(15)),
    "S83": lambda: float(hours_to_histamine(15)),
    "S84": lambda: TROUT_AT_MINUS_18,
    "S85": lambda: TROUT_AT_MINUS_12,
    "S86": activation_energy_of_trout,
    "S87": lambda: float(arrhenius_factor(-12, activation_energy_of_trout())) ** (10 / 6),
    "S88": lambda: float(arrhenius_factor(-24, 60.0)),
    "S89": lambda: vitamin_e_after_90_d().value,
    "S90": lambda: vitamin_e_after_90_d().low,
    "S91": vitamin_e_after_120_d_colder_and_30_d,
    "S92": lowest_of_three_assays_and_a_loss_of_a_half_mg_kg,
    "S93": lambda: basal_kcal_per_day(200),
    "S94": lambda: basal_kcal_per_day(4),
    "S95": lambda: metabolisable_kcal_per_100g(17.96, 9.04),
    "S96": lambda: metabolisable_kcal_per_100g(15.58, 1.38, 3.08),
    "S97": lambda: gross_kj_per_100g(17.96, 9.04),
    "S98": lambda: (
        food_kg_per_day(2.5 * basal_kcal_per_day(150), {"HER": 1.0}, {"HER": 1582 * 0.88}).value
    ),
    "S99": lambda: (amount_needed(25 * 5, 0), amount_needed(33 * 5, 0)),
    "S100": vitamin_e_to_add_to_fresh_herring,
    "S101": lambda: float(iu_from_mg(RETINOL, mg_from_umol(RETINOL, 6.4))),
    "S102": lambda: tablets(2),
    "S103": lambda: tablets(1),
    "S104": lambda: acceptance_probability(6, 1, 0.065),
    "S105": lambda: acceptance_probability(13, 2, 0.065),
    "S106": lambda: acceptance_probability(60, 7, 0.065),
    "S107": lambda: acceptance_probability(13, 2, 0.20),
    "S108": lambda: acceptance_probability(6, 1, 4 / 40, lot=40),
    "S109": lambda: plan(640),
    "S110": lambda: plan(600),
    "S111": lambda: judged([90] * 7 + [150, 180]),
    "S112": lambda: judged([60] * 7 + [150, 199]),
    "S113": lambda: judged([50] * 8 + [201]),
    "S114": lambda: str(
        three_class([4e5, 6e5, 6e5, 6e5, 4e5], samples=5, allowed=3, marginal=5e5, unacceptable=1e7)
    ),
    "S115": lambda: upper_bound_of_none(13),
    "S116": lambda: exact_interval(1, 13)[1],
    "S117": lambda: mean_estimate([10.7, 12.1, 9.8, 11.4, 13.0]).low,
    "S118": lambda: float(mean_rate_from_spread(Q10, HALF_AND_HALF) / Q10.at(-18)),
    "S119": lambda: exact_rate_of_two_halves() / float(Q10.at(-18)),
    "S120": lambda: float(Q10.at(HALF_AND_HALF.mean_c) / Q10.at(-18)),
    "S121": merged_hours,
    "S122": used_in_12_and_a_half_hours,
    "S123": takes,
    "S124": shortage_and_that_of_who_serves_in_order,
    "S125": lambda: most_to_order_kg(40, 180, 60, 20),
}


@dataclass(frozen=True)
class Row:
    """One row of the table."""

    id: str
    input: str
    expected: str
    tolerance: str


def rows() -> list[Row]:
    path = Path(__file__).parent / "data" / "science_checks.csv"
    with path.open(encoding="utf-8", newline="") as lines:
        return [
            Row(r["id"], r["input"], r["expected"], r["tolerance"]) for r in csv.DictReader(lines)
        ]


def allowed(row: Row) -> float:
    """How far a number of the row may be off: what stands before its remark."""
    if row.tolerance == "exact":
        return 1e-9
    if row.tolerance == "published":
        # The paper's own figures disagree: its 43 h at 15 °C (S82) are 4.8 % fewer than
        # its energy makes of its 24 h at 20 °C (S81, S83). We follow the energy.
        return 0.05 * float(row.expected)
    if row.tolerance == "abs < 1.0":
        return 0.005  # S24: half a unit of the last figure; the limit itself is tested too
    return float(row.tolerance.split(" (")[0])


def test_every_row_of_the_table_is_worked_and_no_other() -> None:
    ids = [row.id for row in rows()]
    assert ids == [f"S{n:02}" for n in range(1, 126)]
    assert list(WORKED) == ids


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row.id} {row.input}")
def test_a_published_or_worked_figure_comes_out_within_its_tolerance(row: Row) -> None:
    answer = WORKED[row.id]()
    if isinstance(answer, str):
        assert answer == row.expected
        return
    expected = tuple(float(n) for n in row.expected.split(";"))
    found = answer if isinstance(answer, tuple) else (answer,)
    assert found == pytest.approx(expected, rel=0, abs=allowed(row))
    assert row.tolerance != "abs < 1.0" or abs(found[0]) < 1.0
