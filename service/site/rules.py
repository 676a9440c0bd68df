"""Kinds of places, the site's policy, and the register of rules."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from functools import lru_cache
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.decisions import Decision, Finding, Override
from service.errors import Invalid, NotAllowed, RuleRefused, with_article
from service.figures import Row, number, table
from service.quantities import TemperatureUnit
from service.security.rules import Role


class PlaceKind(StrEnum):
    """What a place is for."""

    FREEZER = "freezer"
    REFRIGERATOR = "refrigerator"
    THAW_ROOM = "thaw_room"
    THAW_TANK = "thaw_tank"
    KITCHEN = "kitchen"
    ICE = "ice"


class UseOrder(StrEnum):
    """In which order lots of one kind of fish are used."""

    OLDEST_CATCH = "oldest_catch"
    FIRST_RECEIVED = "first_received"


class Policy(BaseModel):
    """One site's figures. Field names are the keys of `handling_rules.csv`.

    A site may set shorter clocks and younger ages than the defaults, and never
    go past the bounds here: they are the regulation or the outermost published
    figure.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    freezer_legal_max: float = Field(ge=-60, le=-18)
    excursion_grace_minutes: float = Field(gt=0, le=240)
    excursion_grace_refrigerator_minutes: float = Field(gt=0, le=120)
    excursion_grace_thaw_room_minutes: float = Field(gt=0, le=240)
    excursion_grace_thaw_tank_minutes: float = Field(gt=0, le=120)
    excursion_grace_ice_minutes: float = Field(gt=0, le=120)
    excursion_at_once_freezer: float = Field(ge=-60, le=0)
    excursion_at_once_cold: float = Field(ge=0, le=10)
    excursion_at_once_thaw: float = Field(ge=0, le=21.1)
    excursion_margin: float = Field(ge=0, le=5)
    excursion_cold_minutes: float = Field(ge=0, le=60)
    excursion_merge_minutes: float = Field(ge=0, le=240)
    excursion_worse: float = Field(ge=1, le=20)
    rising_per_hour: float = Field(gt=0, le=20)
    rising_minutes: float = Field(ge=15, le=240)
    defrost_minutes: float = Field(ge=0, le=60)
    excursion_core_limit: float = Field(ge=-60, le=-5)
    excursion_silence_h: float = Field(ge=0, le=24)
    age_limit_fatty_months: float = Field(gt=0, le=18)
    age_limit_medium_months: float = Field(gt=0, le=18)
    age_limit_lean_months: float = Field(gt=0, le=18)
    life_used_warn: float = Field(gt=0, le=100)
    life_used_block: float = Field(gt=0, le=200)
    receive_core_hold: float = Field(ge=-60, le=-18)
    receive_core_reject: float = Field(ge=-60, le=-15)
    receive_cartons_core_n: float = Field(ge=1, le=100)
    new_supplier_deliveries_n: float = Field(ge=1, le=20)
    inspections_looked_back_n: float = Field(ge=1, le=20)
    catch_range_days: float = Field(ge=0, le=60)
    papers_tolerance_percent: float = Field(ge=0, le=10)
    clock_freezer_out_h: float = Field(gt=0, le=24)
    clock_thawed_refrigerated_h: float = Field(gt=0, le=24)
    refrigerated_thaw_max_h: float = Field(gt=0, le=168)
    refrigerator_max: float = Field(ge=-2, le=5)
    thaw_air_max: float = Field(ge=-2, le=10)
    thaw_water_max: float = Field(ge=0, le=21)
    thaw_water_warn: float = Field(ge=0, le=10)
    thaw_surface_max_rte: float = Field(ge=0, le=5)
    drip_low_percent: float = Field(ge=0, le=20)
    drip_high_percent: float = Field(ge=0, le=20)
    thaw_warning_h: float = Field(ge=0, le=24)
    thaw_last_warning_h: float = Field(ge=0, le=24)
    exposure_pathogen_hot_h: float = Field(gt=0, le=2)
    exposure_pathogen_cool_h: float = Field(gt=0, le=5)
    exposure_prev_frozen_never_hot_h: float = Field(gt=0, le=24)
    exposure_prev_frozen_hot_h: float = Field(gt=0, le=12)
    thaw_hours_block_refrigerator: float = Field(gt=0, le=240)
    thaw_hours_block_thaw_room: float = Field(gt=0, le=240)
    thaw_hours_block_thaw_tank: float = Field(gt=0, le=240)
    thaw_hours_iqf_refrigerator: float = Field(gt=0, le=240)
    thaw_hours_iqf_thaw_room: float = Field(gt=0, le=240)
    thaw_hours_iqf_thaw_tank: float = Field(gt=0, le=240)
    thaw_hours_shatter_pack_refrigerator: float = Field(gt=0, le=240)
    thaw_hours_shatter_pack_thaw_room: float = Field(gt=0, le=240)
    thaw_hours_shatter_pack_thaw_tank: float = Field(gt=0, le=240)
    thaw_medium_refrigerator: float = Field(ge=0, le=5)
    thaw_medium_thaw_room: float = Field(ge=0, le=10)
    thaw_medium_thaw_tank: float = Field(ge=0, le=21)
    thaw_transfer_refrigerator: float = Field(ge=3, le=100)
    thaw_transfer_thaw_room: float = Field(ge=3, le=100)
    thaw_transfer_thaw_tank: float = Field(ge=20, le=600)
    thaw_layer_mm: float = Field(ge=10, le=300)
    preparation_minutes: float = Field(ge=0, le=600)
    put_back_minutes: float = Field(ge=0, le=60)
    put_back_core: float = Field(ge=-60, le=-12)
    clock_skew_minutes: float = Field(ge=0, le=60)
    feed_day_from: float = Field(ge=0, lt=24)
    feed_day_to: float = Field(ge=0, lt=24)
    bucket_out_of_cold_h: float = Field(gt=0, le=2)
    bucket_iced_h: float = Field(gt=0, le=6)
    fallback_sheet_from: float = Field(ge=0, lt=24)
    gap_minutes: float = Field(gt=0, le=60)
    # At least the longest age that fish may reach here (18 months) and a year more: Reg. (EC)
    # 37/2005 asks for a year, or longer if the food keeps for longer.
    raw_kept_months: float = Field(ge=30, le=1200)
    reading_min: float = Field(ge=-90, le=0)
    reading_max: float = Field(ge=0, le=90)
    probe_calibration: float = Field(ge=7, le=732)
    calibration_tolerance: float = Field(ge=0.1, le=2)
    recorder_class_storage: float = Field(ge=0.5, le=2)
    recorder_interval_storage: float = Field(ge=1, le=60)
    drift_window_days: float = Field(ge=14, le=366)
    kitchen_clean: float = Field(gt=0, le=1)
    kitchen_sanitise: float = Field(gt=0, le=7)
    freezer_clean: float = Field(gt=0, le=31)
    thaw_gear_clean: float = Field(gt=0, le=1)
    dishwasher_min: float = Field(ge=82, le=100)
    disinfectant_contact: float = Field(ge=1, le=60)
    container_max: float = Field(ge=-2, le=5)
    container_check_h: float = Field(gt=0, le=24)
    chore_grace_h: float = Field(gt=0, le=24)
    inappetence_h: float = Field(gt=0, le=24)
    intake_zero_birds_days: float = Field(gt=0, le=2)
    record_grace_h: float = Field(gt=0, le=24)
    intake_low_percent: float = Field(gt=0, le=100)
    intake_low_days: float = Field(ge=1, le=14)
    mass_change_percent: float = Field(gt=0, le=20)
    unequal_share_percent: float = Field(gt=0, lt=100)
    fast_weighing_days: float = Field(gt=0, le=31)
    watch_h: float = Field(ge=24, le=720)
    watch_round_h: float = Field(ge=1, le=24)
    watch_look_back_days: float = Field(ge=3, le=90)
    supplement_expiry_warn_days: float = Field(ge=1, le=366)
    supplement_runs_out_days: float = Field(ge=1, le=92)
    use_order: UseOrder = Field(
        default=UseOrder.OLDEST_CATCH, description="In which order lots are used."
    )
    life_used_blocks: bool = Field(
        default=False, description="Whether used-up storage life blocks; the estimate is wide."
    )
    credit_thiamine_and_vitamin_e: bool = Field(
        default=False,
        description="Whether what the fish still holds of these counts; evidence is weak.",
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.feed_day_to <= self.feed_day_from:
            raise ValueError("feed_day_to must be later than feed_day_from")
        if self.drip_high_percent < self.drip_low_percent:
            raise ValueError("drip_high_percent must not be below drip_low_percent")
        if self.thaw_warning_h < self.thaw_last_warning_h:
            raise ValueError("thaw_last_warning_h must not be longer than thaw_warning_h")
        if self.life_used_block < self.life_used_warn:
            raise ValueError("life_used_block must not be below life_used_warn")
        return self

    def age_limit_days(self, fat_group: str) -> float:
        """Days from catch, inclusive; a month is 30.4375 days."""
        months: float = getattr(self, f"age_limit_{fat_group}_months")
        return months * 30.4375

    def thaw_hours(self, form: str, kind: PlaceKind) -> float:
        """Hours until fully thawed; a kitchen as a thaw room, ice as a refrigerator × 2."""
        like, times = THAWS_LIKE.get(kind, (kind, 1.0))
        hours: float = getattr(self, f"thaw_hours_{form}_{like}")
        return hours * times

    @property
    def skew(self) -> timedelta:
        """How far clocks may disagree."""
        return timedelta(minutes=self.clock_skew_minutes)


THAWS_LIKE: dict[PlaceKind, tuple[PlaceKind, float]] = {
    PlaceKind.KITCHEN: (PlaceKind.THAW_ROOM, 1.0),
    PlaceKind.ICE: (PlaceKind.REFRIGERATOR, 2.0),
}


@lru_cache(maxsize=1)
def handling_rules() -> Mapping[str, Row]:
    """The rows of `handling_rules.csv` by key."""
    return {row["rule_key"]: row for row in table("handling_rules")}


@lru_cache(maxsize=1)
def default_policy() -> Policy:
    """The policy of a site that has set nothing: the defaults of the trade's table."""
    rows = handling_rules()
    return Policy(
        **{name: number(rows[name]["value"]) for name in Policy.model_fields if name in rows}
    )


def place_limit_c(kind: PlaceKind, policy: Policy, unit: TemperatureUnit) -> float | None:
    """The warmest that a place of this kind may be; None where nothing is set.

    For a site that measures in °F the regulation's own 0 °F stands for -18 °C
    (9 CFR 3.105(d)): 0 °F is -17.8 °C and passes.
    """
    if kind is PlaceKind.FREEZER:
        fahrenheit = unit is TemperatureUnit.F and policy.freezer_legal_max == -18
        return (0 - 32) * 5 / 9 if fahrenheit else policy.freezer_legal_max
    return {
        PlaceKind.REFRIGERATOR: policy.refrigerator_max,
        PlaceKind.ICE: policy.refrigerator_max,
        PlaceKind.THAW_ROOM: policy.thaw_air_max,
        PlaceKind.THAW_TANK: policy.thaw_air_max,
    }.get(kind)


@dataclass(frozen=True)
class Rule:
    """One rule of the register: what it says, how hard, and who may override it."""

    id: str
    says: str
    severity: str
    source: str
    may_override: tuple[Role, ...] = ()
    figures: tuple[str, ...] = ()


_VET = (Role.VET,)
_MANAGER = (Role.MANAGER,)
_CFR = "9 CFR 3.105(d)"

RULES: tuple[Rule, ...] = (
    Rule(
        "catch-date-missing",
        "a lot without catch date is received on hold",
        "hold",
        "Nijboer, Merck Veterinary Manual",
        (Role.VET, Role.MANAGER),
    ),
    Rule(
        "core-too-warm",
        "frozen fish is received with a core of -18 °C or colder; warmer than -15 °C is held",
        "hold",
        "Reg. (EC) 853/2004; CXS 36-1981; transport tolerance from memory (high)",
        _MANAGER,
        ("receive_core_hold", "receive_core_reject"),
    ),
    Rule(
        "core-count",
        "the core is measured in at least three cartons",
        "warn",
        "our default",
        (),
        ("receive_cartons_core_n",),
    ),
    Rule(
        "catch-range-wide",
        "fish of one lot was caught within so many days; age counts from the earliest",
        "warn",
        "our default",
        (),
        ("catch_range_days",),
    ),
    Rule(
        "papers-differ",
        "what came is what the papers say, within so many per cent",
        "hold",
        "our default",
        _MANAGER,
        ("papers_tolerance_percent",),
    ),
    Rule(
        "certificate-lapsed",
        "the papers of a load are valid on the day it comes",
        "warn",
        "trade practice",
    ),
    Rule(
        "younger-by-correction",
        "a correction that makes fish younger is decided by a vet or the manager",
        "block",
        "our rule: an age is not talked down",
        (Role.VET, Role.MANAGER),
    ),
    Rule(
        "unreadable-label",
        "a carton that nobody can read is as old and as worn as the worst lot that it may "
        "be of; if none is plausible, or one of them is held, it is held",
        "hold",
        "our rule",
        (Role.VET, Role.MANAGER),
    ),
    Rule(
        "inspection",
        "one reject of an inspection proposes rejection; a question, or one left open, holds",
        "hold",
        "common practice",
        _MANAGER,
        ("receive_cartons_core_n",),
    ),
    Rule(
        "sample-plan",
        "a lot is held with more defective cartons than its sample allows, or while the sample "
        "is not opened; a new supplier's load is sampled by the standard",
        "hold",
        "CXS 233-1969; when it is used, our default",
        _MANAGER,
        ("new_supplier_deliveries_n", "inspections_looked_back_n"),
    ),
    Rule(
        "histamine",
        "nine samples: mean at most 100 mg/kg, at most two of them above, none above 200; named "
        "families; composites of k samples clear a lot up to 100/k",
        "hold",
        "Reg. (EC) 2073/2005; screening limit derived",
    ),
    Rule(
        "microbial",
        "counts in samples of a lot keep to the plan for its kind of fish; plans that were read "
        "hold, those from memory warn",
        "hold",
        "ICMSF 1986",
        (Role.VET, Role.MANAGER),
    ),
    Rule(
        "chemical-limit",
        "no contaminant or freshness test is above its limit for this fish; legal limits that "
        "were read hold, guidance, literature and memory warn",
        "hold",
        "the limit's own source",
        (Role.VET, Role.MANAGER),
    ),
    Rule(
        "watch-list",
        "those who ate of a lot that turned out bad are looked at for so many hours after their "
        "last feed of it; the attending veterinarian decides",
        "notify",
        "common practice, from memory; rounds and days our default",
        (),
        ("watch_h", "watch_round_h", "watch_look_back_days"),
    ),
    Rule("past-label-date", "food past its label date is not used", "warn", "9 CFR 3.101(d)"),
    Rule(
        "lot-on-hold",
        "held or rejected lots are not allocated, pulled or fed",
        "block",
        "our rule: a hold is released, never overridden",
    ),
    Rule(
        "thawed-not-returned",
        "only fish that is in a freezer and never left it to thaw goes back to the supplier; "
        "other fish is discarded or condemned",
        "block",
        "our rule: nobody may freeze it again, or sell it as frozen",
    ),
    Rule(
        "older-lot-first",
        "no pull from a later lot while an earlier one of the same species, "
        "part and size grade has available fish",
        "block",
        "trade practice: oldest catch first",
        (Role.COMMISSARY, Role.MANAGER),
        ("use_order",),
    ),
    Rule(
        "past-age-limit",
        "fish is used within so many months of its catch, by fat group",
        "block",
        "Field 2022; Nijboer; default between the published ones",
        _VET,
        ("age_limit_fatty_months", "age_limit_medium_months", "age_limit_lean_months"),
    ),
    Rule(
        "life-used-up",
        "fish whose storage life is used up is inspected before use",
        "warn",
        "our default; the estimate is wide",
        (Role.VET, Role.MANAGER),
        ("life_used_warn", "life_used_block", "life_used_blocks"),
    ),
    Rule(
        "not-measured",
        "fish in a place that nobody measures any more is measured by hand",
        "warn",
        "our default",
    ),
    Rule(
        "place-too-warm",
        "a place warmer than its limit for longer than its grace, far too warm at once, rising "
        "on and on, or silent opens an excursion",
        "warn",
        f"{_CFR}; grace our default",
        (),
        (
            "freezer_legal_max",
            "refrigerator_max",
            "excursion_grace_minutes",
            "excursion_grace_refrigerator_minutes",
            "excursion_grace_thaw_room_minutes",
            "excursion_grace_thaw_tank_minutes",
            "excursion_grace_ice_minutes",
            "excursion_at_once_freezer",
            "excursion_at_once_cold",
            "excursion_at_once_thaw",
            "excursion_margin",
            "excursion_cold_minutes",
            "excursion_merge_minutes",
            "excursion_worse",
            "rising_per_hour",
            "rising_minutes",
            "defrost_minutes",
            "gap_minutes",
        ),
    ),
    Rule(
        "probe-calibration",
        "a probe is held against melting ice or a better thermometer every so many days, and "
        "agrees with it",
        "warn",
        "EN 13486 asks for periodic verification; how often and how closely, our default",
        (),
        ("probe_calibration", "calibration_tolerance"),
    ),
    Rule(
        "probe-drift",
        "a probe does not wander away from the others in its place by more than its class allows",
        "warn",
        "EN 12830 class 2; the time looked back, our default",
        (),
        ("recorder_class_storage", "drift_window_days"),
    ),
    Rule(
        "recording-interval",
        "a store's temperature is recorded at least every so many minutes",
        "warn",
        "EN 12830, from memory (medium)",
        (),
        ("recorder_interval_storage",),
    ),
    Rule(
        "excursion-open",
        "fish whose worst carton may have passed the core limit in an excursion is not pulled "
        "until somebody has decided: commissary or manager where a thermometer or the model "
        "shows it colder, else the vet; it may always be moved to another freezer",
        "block",
        "our default: limit and hours",
        _VET,
        ("excursion_core_limit", "excursion_silence_h"),
    ),
    Rule(
        "no-refreeze",
        "fish that has left the frozen state never returns to a freezer; hard "
        "frozen fish may be put back within the policy's minutes",
        "block",
        "all husbandry manuals; minutes and core our default",
        (),
        ("put_back_minutes", "put_back_core"),
    ),
    Rule(
        "clock-from-freezer",
        "fish thawed otherwise than wholly under refrigeration is fed "
        "within 24 h of leaving the freezer",
        "block",
        _CFR,
        (),
        ("clock_freezer_out_h", "thaw_warning_h", "thaw_last_warning_h"),
    ),
    Rule(
        "clock-from-thawed",
        "fish thawed under refrigeration is fed within 24 h of being fully thawed",
        "block",
        _CFR,
        (),
        ("clock_thawed_refrigerated_h", "thaw_warning_h", "thaw_last_warning_h"),
    ),
    Rule(
        "thaw-too-long",
        "a thaw in a refrigerator takes no longer than the policy's hours",
        "warn",
        "our default; the surface ages while the core is frozen",
        (),
        ("refrigerated_thaw_max_h",),
    ),
    Rule(
        "thaw-too-warm",
        "fish thaws in a refrigerator of at most 4 °C, in air or cold water of at most 10 °C, and "
        "is itself no warmer than 5 °C; fish that was in warmer water than 21 °C is not fed",
        "block",
        f"{_CFR}: cold water, without a figure; FDA Food Code 3-501.13(B); refrigerator Crissey "
        "1998, quoted; air Nijboer; where water begins to warn, our default",
        _VET,
        (
            "refrigerator_max",
            "thaw_air_max",
            "thaw_water_warn",
            "thaw_water_max",
            "thaw_surface_max_rte",
        ),
    ),
    Rule(
        "drip-unusual",
        "thawing fish loses a few per cent of its mass as drip",
        "warn",
        "common practice, from memory (medium)",
        (),
        ("drip_low_percent", "drip_high_percent"),
    ),
    Rule(
        "thaw-in-time",
        "fish is pulled early enough to be thawed by the first feed",
        "warn",
        "arithmetic of the plan",
        (),
        ("preparation_minutes",),
    ),
    Rule(
        "warm-too-long",
        "fish above 10 °C for more than 2 h with any time above 21.1 °C is not fed",
        "block",
        "FDA Hazards and Controls Guidance, appendix 4",
        _VET,
        (
            "exposure_pathogen_hot_h",
            "exposure_pathogen_cool_h",
            "exposure_prev_frozen_never_hot_h",
            "exposure_prev_frozen_hot_h",
            "bucket_out_of_cold_h",
            "bucket_iced_h",
        ),
    ),
    Rule(
        "whole-cartons",
        "blocks are pulled as whole cartons; the surplus is shown",
        "plan",
        "common practice",
    ),
    Rule(
        "place-full",
        "a plan puts no more fish into a place than it holds; what is too much goes to others "
        "of its kind",
        "plan",
        "common practice",
    ),
    Rule(
        "not-enough-stock",
        "a take cannot be more than what is there",
        "block",
        "conservation of mass",
    ),
    Rule(
        "chore-due",
        "kitchen, stores, thaw tanks, buckets and utensils are cleaned, and tubs of thawed fish "
        "measured, as often as the policy says",
        "warn",
        "9 CFR 3.107(b), 3.105(b); stores Couquiaud 2005; thaw gear Crissey 2000; tubs our default",
        (),
        (
            "kitchen_clean",
            "kitchen_sanitise",
            "freezer_clean",
            "thaw_gear_clean",
            "container_check_h",
            "chore_grace_h",
        ),
    ),
    Rule(
        "sanitised-well",
        "a dishwasher is at least 82 °C hot, a disinfectant stays on for at least a minute",
        "warn",
        "9 CFR 3.107(b); contact Couquiaud 2005, quoted",
        (),
        ("dishwasher_min", "disinfectant_contact"),
    ),
    Rule(
        "container-too-warm",
        "thawed fish in a bucket or tub is no warmer than 5 °C",
        "warn",
        "FDA Food Code 3-501.13(B): feed fish is eaten raw",
        (),
        ("container_max",),
    ),
    Rule(
        "off-food",
        "an animal that has had no appetite for 24 h, penguins for two days, is told to the vet, "
        "unless a dated fast says so; refused, not offered and not recorded are told apart",
        "notify",
        "9 CFR 3.105(c); penguins and hours until a feed counts as not recorded, our default",
        (),
        ("inappetence_h", "intake_zero_birds_days", "record_grace_h"),
    ),
    Rule(
        "weight-floor",
        "an animal that fasts is weighed, and told to the vet when it is below its weight floor",
        "notify",
        "the vet who ordered the fast; how often it is weighed, our default",
        (),
        ("fast_weighing_days",),
    ),
    Rule(
        "intake-low",
        "an animal eats most of its diet over some days; moult, rut and birth excepted",
        "notify",
        "our default",
        (),
        ("intake_low_percent", "intake_low_days"),
    ),
    Rule(
        "mass-against-intake",
        "body mass does not fall while an animal eats its diet, nor rise while it does not",
        "notify",
        "our default; moult, rut and birth excepted",
        (),
        ("mass_change_percent", "intake_low_percent"),
    ),
    Rule(
        "unequal-shares",
        "no animal of a group gets far less than the others for days, as far as each is recorded",
        "notify",
        "9 CFR 3.155(a) asks that every bird gets enough; the share, our default",
        (),
        ("unequal_share_percent", "intake_low_days"),
    ),
    Rule(
        "usual-intake",
        "what an animal is to eat lies inside a range published for its kind, age and stage",
        "warn",
        "Field 2022; Ridgway et al.; Kastelein et al.; each range its own source",
    ),
    Rule(
        "one-fish-diet",
        "a diet holds more than one species of fish",
        "warn",
        "Field 2022; Merck Veterinary Manual",
    ),
    Rule(
        "diet-approval",
        "a diet is approved by a nutritionist or a vet",
        "warn",
        "licensed practice",
    ),
    Rule(
        "body-mass-known",
        "an animal is weighed, so that its diet can be worked out and held against others",
        "warn",
        "our default",
    ),
    Rule(
        "not-signed",
        "supplements are given under a signed plan",
        "block",
        "licensed practice: the attending veterinarian decides",
        _VET,
    ),
    Rule(
        "over-limit",
        "no supplement brings a nutrient above its limit",
        "block",
        "the limit's own source",
        _VET,
    ),
    Rule(
        "limit-not-judged",
        "a limit on fish and supplements together is judged only where the content of every fish "
        "is known",
        "warn",
        "our rule: what is missing is not zero",
    ),
    Rule(
        "above-published",
        "fish and supplements together stay below the limits published for other animals",
        "warn",
        "each figure its own source; of other animals, so it only warns",
    ),
    Rule(
        "already-given",
        "what is ordered for a day is given once, by hand or in buckets, in whatever pieces; what "
        "was spat out, refused or not seen is not given again by itself",
        "block",
        "our rule: a double dose is never silent",
        _VET,
    ),
    Rule(
        "supplement-expired",
        "no supplement is given after the last day printed on its batch; some days before, "
        "people are told",
        "block",
        "the maker's label; when people are told, our default",
        _VET,
        ("supplement_expiry_warn_days",),
    ),
    Rule(
        "strength-differs",
        "pieces are counted by the strength of the batch in hand: where it is another than was "
        "planned with, it is planned again",
        "block",
        "the maker's label",
    ),
    Rule(
        "supplement-runs-out",
        "supplements last for some days at what is used, without what expires before",
        "notify",
        "our default",
        (),
        ("supplement_runs_out_days",),
    ),
    Rule(
        "placed-before",
        "what was put into a bucket for an animal on a day, and was spat out, refused or not "
        "seen, is not given again by itself",
        "block",
        "our rule: a double dose is never silent",
        _VET,
    ),
    Rule(
        "thiamine-in-thiaminase",
        "thiamine is put into no fish that may carry thiaminase, which destroys it: mixed and "
        "unknown count as carrying it",
        "block",
        "Geraci 1972 [read]: apart from the fish, 2 h before the feed; trade practice",
        _VET,
    ),
    Rule(
        "piece-in-another-feed",
        "what was ordered for a feed that the day does not have is put into its last feed, and "
        "people are told",
        "warn",
        "our rule: nothing ordered is left out in silence",
    ),
    Rule(
        "not-ordered",
        "medication is given by a vet's order: to the animal, in the fish and as much as ordered",
        "block",
        "licensed practice: the attending veterinarian decides",
        _VET,
    ),
    Rule(
        "medicated-bucket",
        "fish of a bucket with medication in it is fed to its animal or discarded",
        "block",
        "trade practice: the bucket is withdrawn if the animal does not take it",
    ),
)
RULE_BY_ID: Mapping[str, Rule] = {rule.id: rule for rule in RULES}


def finding(
    rule: str,
    outcome: str,
    because: str,
    *,
    numbers: Mapping[str, float | str | None] | None = None,
    source: str | None = None,
) -> Finding:
    """A finding with the source and the roles of the register."""
    entry = RULE_BY_ID[rule]
    return Finding.model_validate(
        {
            "rule": rule,
            "outcome": outcome,
            "because": because,
            "numbers": dict(numbers or {}),
            "source": source or entry.source,
            "may_override": entry.may_override,
        }
    )


def permit(
    decision: Decision, *, role: Role, overrides: Sequence[Override], already_done: bool
) -> tuple[Finding, ...]:
    """Refuse what is blocked, unless it is overridden or has happened.

    Returns the blocking findings that were overridden or that a fact breaches.
    Raises Invalid for an override of an unknown rule, NotAllowed for an override
    by a role that may not, RuleRefused for what is left.
    """
    named = set()
    for number_, override in enumerate(overrides):
        if override.rule not in RULE_BY_ID:
            raise Invalid.at(f"override.{number_}.rule", f"no rule is called {override.rule!r}")
        named.add(override.rule)
    blocking = decision.blocking()
    for found in blocking:
        if found.rule in named and role not in found.may_override and not already_done:
            raise NotAllowed(f"{with_article(role)} may not override {found.rule}")
    open_ = tuple(f for f in blocking if f.rule not in named or role not in f.may_override)
    if open_ and not already_done:
        raise RuleRefused(
            Decision(tuple(f for f in decision.findings if f in open_ or f not in blocking))
        )
    return blocking
