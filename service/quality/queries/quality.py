"""The quality of a lot: life used and nutrients left, parcel by parcel."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from functools import partial

import numpy as np
from sqlmodel import Session, col, select

from service.assays import queries as assays
from service.assays.models import Assay, AssayValue
from service.catalogue.rules import species_facts
from service.decisions import Finding
from service.excursions import queries as excursions
from service.ledger import queries as ledger
from service.ledger.models import Parcel, ThawBatch
from service.ledger.queries import Stay
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import ReceivedAs, age_findings
from service.quality.queries.exposure import Exposures, before_arrival, chain, nothing
from service.quality.rules import (
    DAY_UNKNOWN,
    SPREAD,
    Exposure,
    Fish,
    Held,
    ParcelState,
    Range,
    Result,
    contents,
    excursion_findings,
    life_findings,
    life_of,
    silence_findings,
    thiaminase_of,
    worst_of,
)
from service.quality.schemas import (
    ExposureOut,
    LifeOut,
    NutrientLeft,
    ParcelQuality,
    QualityOut,
)
from service.science.arrays import Array
from service.science.exposure import DAY_S
from service.science.residual import SINGLE_ASSAY_LN_SD, Band, assay_ln_sd
from service.science.storage_life import life_rate_per_day
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind
from service.temperatures.rules import life_column, vitamin_column


@dataclass(frozen=True)
class Tested:
    """What laboratories found in a lot, that counts: results by tag; thiaminase, and when."""

    results: Mapping[str, Sequence[Result]] = field(default_factory=dict)
    thiaminase: tuple[date, bool] | None = None


class LotQuality:
    """One lot at one instant. Loads its parcels once; every figure comes from here."""

    def __init__(
        self,
        session: Session,
        lot: Lot,
        view: SiteView,
        at: datetime,
        *,
        parcels: Sequence[Parcel] | None = None,
        exposures: Exposures | None = None,
    ) -> None:
        assert lot.id is not None
        self._session, self.lot, self.view, self.at = session, lot, view, at
        if parcels is None:
            parcels = ledger.lot_parcels(session, lot.id)
        self._all = {p.id: p for p in parcels if p.id is not None}
        if exposures is None:
            places = sites.places_by_id(session, [p.place_id for p in self._all.values()])
            exposures = Exposures(session, view, places)
        self.exposures = exposures
        self.facts = species_facts()[lot.species_code]
        self._doubtful: dict[datetime | None, Exposure] = {}

    @property
    def places(self) -> dict[int, Place]:
        """The places that its parcels were in."""
        return self.exposures.places

    def on_hand(self) -> list[Parcel]:
        """Parcels with fish, or where it all began once the lot is used up."""
        open_ = [p for p in self._all.values() if p.opened_at <= self.at]
        return [p for p in open_ if p.grams > 0] or [p for p in open_ if p.parent_id is None]

    def exposure(self, parcel: Parcel, since: datetime | None = None) -> Exposure:
        """What a parcel has been through, from freezing or catch (or an instant) on."""
        stays = chain(self._all, parcel, self.at)
        return self.before(since) + self.exposures.of_stays(stays, since)

    def before(self, since: datetime | None) -> Exposure:
        """Before its first place here; of a doubtful carton the worst of what it may have been."""
        if not self.lot.doubtful:
            return before_arrival(self.lot, self.view, since)
        if since not in self._doubtful:
            found = min(p.opened_at for p in self._all.values())
            may_be = lots.candidates(self._session, self.lot.id or 0)
            pasts = [
                past
                for lot in may_be
                for past in LotQuality(self._session, lot, self.view, found).pasts(since)
            ]
            self._doubtful[since] = worst_of(pasts) if pasts else nothing()
        return self._doubtful[since]

    def pasts(self, since: datetime | None) -> list[Exposure]:
        """What each parcel that was never pulled has been through."""
        frozen = [
            p for p in self._all.values() if p.thaw_batch_id is None and p.opened_at <= self.at
        ]
        self.exposures.prepare(
            stay for parcel in frozen for stay in chain(self._all, parcel, self.at)
        )
        return [self.exposure(parcel, since) for parcel in frozen]

    def states(self, place_id: int | None = None) -> list[ParcelState]:
        """Exposure and life of each parcel (of one place, if named), worst first."""
        profile = self.facts.life_profile
        batches = self._batch_codes()
        self.exposures.prepare(
            stay for parcel in self.on_hand() for stay in chain(self._all, parcel, self.at)
        )
        found = []
        for parcel in self.on_hand():
            if place_id not in (None, parcel.place_id):
                continue
            exposure = self.exposure(parcel)
            here_c = self.exposures.mean_now(parcel.place_id, self.at)
            life = life_of(
                exposure, life_column(profile), 1.0 / float(life_rate_per_day(profile, here_c))
            )
            found.append(
                ParcelState(
                    parcel_id=parcel.id or 0,
                    place=self.places[parcel.place_id].code,
                    thaw_batch=batches.get(parcel.thaw_batch_id or 0),
                    grams=parcel.grams,
                    exposure=exposure,
                    life=life,
                    places=tuple(
                        (s.place_id, s.from_at, s.until_at)
                        for s in chain(self._all, parcel, self.at)
                    ),
                )
            )
        return sorted(found, key=lambda s: (-s.life.value, s.parcel_id))

    def silent(self, parcel: Parcel) -> list[tuple[str, datetime]]:
        """The parcel's place and since when, if nobody measures it any more."""
        since = self.exposures.silent_since(parcel.place_id, self.at)
        return [] if since is None else [(self.places[parcel.place_id].code, since)]

    def _batch_codes(self) -> dict[int, str]:
        ids = {p.thaw_batch_id for p in self.on_hand() if p.thaw_batch_id is not None}
        if not ids:
            return {}
        found = self._session.exec(select(ThawBatch).where(col(ThawBatch.id).in_(ids)))
        return {batch.id: batch.code for batch in found if batch.id is not None}

    def nutrients_left(self, parcel: Parcel) -> list[NutrientLeft]:
        """What is left in a parcel: newest assay, else species default, with its loss."""
        assert self.lot.id is not None
        tested = tests_of(self._session, [self.lot.id], on=self.view.day_of(self.at))
        self.prepare([parcel], tested[self.lot.id])
        held = self.contents([parcel], tested[self.lot.id])
        return [_nutrient_left(each) for each in held.values()]

    def frozen(self) -> list[Parcel]:
        """Parcels on hand that nobody has pulled; all on hand where there is none."""
        on_hand = self.on_hand()
        return [p for p in on_hand if p.thaw_batch_id is None] or on_hand

    def stays(self, parcels: Sequence[Parcel], tested: Tested) -> Iterator[Stay]:
        """The stays that the contents of parcels need: whole, and from each sample on."""
        since = [self.noon(r.sampled_on) for of in tested.results.values() for r in of]
        for stay in (stay for parcel in parcels for stay in chain(self._all, parcel, self.at)):
            yield stay
            for instant in set(since):
                if stay.from_at < instant < stay.until_at:
                    yield Stay(stay.place_id, instant, stay.until_at)

    def prepare(self, parcels: Sequence[Parcel], tested: Tested) -> None:
        """Fetch at once what the contents of parcels need."""
        self.exposures.prepare(self.stays(parcels, tested))

    def contents(
        self,
        parcels: Sequence[Parcel],
        tested: Tested,
        *,
        thawed_in_water: bool | None = None,
    ) -> dict[str, Held]:
        """What parcels of the lot still hold: least by the one that lost most, and so on.

        thawed_in_water : None: as they were.
        """
        thiaminase, who_says = thiaminase_of(self.lot.species_code, tested.thiaminase)
        if thawed_in_water is None:
            thawed_in_water = any(self._was_in_water(parcel) for parcel in parcels)
        fish = Fish(
            species=self.lot.species_code,
            part=self.lot.part,
            since=self.lot.frozen_on or self.lot.caught_from,
            thiaminase=thiaminase,
            thiaminase_from=who_says,
            in_water=thawed_in_water,
        )
        return contents(
            fish,
            tested.results,
            partial(self.days_since, parcels),
            may_credit=self.view.policy.credit_thiamine_and_vitamin_e,
        )

    def days_since(self, parcels: Sequence[Parcel], sampled_on: date | None) -> Range:
        """Days at -18 °C that did as much as parcels went through since noon of a day."""
        since = None if sampled_on is None else self.noon(sampled_on)
        column = vitamin_column()
        pasts = [self.exposure(parcel, since) for parcel in parcels] or [self.before(since)]
        low, value, high = (
            max(0.0, min(float(past.low[column]) for past in pasts)) / DAY_S,
            max(float(past.value[column]) for past in pasts) / DAY_S,
            max(float(past.high[column]) for past in pasts) / DAY_S,
        )
        if since is None and self._day_is_unknown():
            fewest, usual, most = DAY_UNKNOWN
            return low + fewest, value + usual, high + most
        return low, value, high

    def days_until(
        self,
        parcels: Sequence[Parcel],
        sampled_on: date | None,
        begin: datetime,
        at_s: Array,
    ) -> Band:
        """As `days_since`, until each of many instants from `begin` on."""
        column = vitamin_column()
        past = self.before(None if sampled_on is None else self.noon(sampled_on))
        before_s = self.lot.arrived_at.timestamp() - begin.timestamp()
        share = np.clip((at_s - begin.timestamp()) / max(before_s, 1.0), 0.0, 1.0)
        sums = [
            self.exposures.along(chain(self._all, parcel, self.at), begin, at_s, column)
            for parcel in parcels
        ]
        fewest, usual, most = (
            DAY_UNKNOWN if sampled_on is None and self._day_is_unknown() else (0.0, 0.0, 0.0)
        )
        low = np.min([low for _, low, _ in sums], axis=0) + share * past.low[column]
        value = np.max([value for value, _, _ in sums], axis=0) + share * past.value[column]
        high = np.max([high for _, _, high in sums], axis=0) + share * past.high[column]
        return Band(
            fewest + np.maximum(low, 0.0) / DAY_S,
            usual + np.maximum(value, 0.0) / DAY_S,
            most + np.maximum(high, 0.0) / DAY_S,
        )

    def _day_is_unknown(self) -> bool:
        frozen = self.lot.received_as == ReceivedAs.FROZEN
        return frozen and self.lot.frozen_on is None and self.lot.caught_from is None

    def _was_in_water(self, parcel: Parcel) -> bool:
        stays = chain(self._all, parcel, self.at)
        return any(self.places[stay.place_id].kind == PlaceKind.THAW_TANK for stay in stays)

    def noon(self, day: date) -> datetime:
        """Noon of a day at the site: when a sample counts as taken."""
        return datetime.combine(day, time(12), self.view.zone).astimezone(UTC)


def tests_of(session: Session, lot_ids: Sequence[int], *, on: date) -> dict[int, Tested]:
    """What laboratories found in lots by a day, that counts. Two queries."""
    values = assays.counted_values(session, lot_ids, on=on)
    thiaminase = assays.thiaminase_found(session, lot_ids, on=on)
    return {
        lot_id: Tested(
            {
                tag: [_result(assay, value) for assay, value in of]
                for tag, of in values.get(lot_id, {}).items()
            },
            thiaminase.get(lot_id),
        )
        for lot_id in lot_ids
    }


def _result(assay: Assay, value: AssayValue) -> Result:
    return Result(
        assay_id=assay.id or 0,
        sampled_on=assay.sampled_on,
        portion=assay.portion,
        amount=value.as_fed,
        ln_sd=_assay_spread(value),
        limit=value.limit_as_fed,
    )


def _nutrient_left(held: Held) -> NutrientLeft:
    return NutrientLeft(
        nutrient=held.nutrient,
        amount=short(held.value),
        range=(short(held.low), short(held.high)),
        unit=held.unit,
        note=held.why_no_credit,
        from_=held.source if held.sampled_on is None else f"assay {held.sampled_on}",
        share_left=short(held.share_left[1]),
        share_left_range=(short(held.share_left[0]), short(held.share_left[2])),
        credited=(short(held.credited[0]), short(held.credited[1])),
        steps=list(held.steps),
    )


def _assay_spread(value: AssayValue) -> float:
    """Of a result's replicates where there were any, else of a single result."""
    if value.cv is None or value.replicates is None:
        return SINGLE_ASSAY_LN_SD
    return assay_ln_sd(value.cv, value.replicates)


def short(value: float) -> float:
    """Four digits: the range says more than a fifth would."""
    return float(f"{value:.4g}")


def quality_of(session: Session, lot: Lot, *, at: datetime) -> QualityOut:
    """Age, life, nutrients and exposure of a lot at an instant, the worst parcel first."""
    view = sites.view(session, lot.site_id, at=at)
    quality = LotQuality(session, lot, view, at)
    states = quality.states()
    worst = states[0]
    parcels = {p.id: p for p in quality.on_hand()}
    facts = lots.facts(session, [lot])[lot.id or 0]
    on_hand = [s for s in states if s.grams > 0]
    return QualityOut(
        lot=lot.code,
        at=at,
        age_days=facts.age_days(view.day_of(at)),
        age_from=lot.age_from,
        life=_life_out(worst, quality.facts.storage_profile),
        nutrients=quality.nutrients_left(parcels[worst.parcel_id]),
        exposure=_exposure_out(worst.exposure),
        parcels=[
            ParcelQuality(
                parcel=s.parcel_id,
                place=s.place,
                thaw_batch=s.thaw_batch,
                mass=view.units.mass_out(s.grams),
                life=_life_out(s, quality.facts.storage_profile),
                exposure=_exposure_out(s.exposure),
            )
            for s in on_hand
        ],
        findings=[
            *age_findings(facts, view.policy, view.day_of(at)),
            *life_findings(worst.life.value, view.policy),
            *silence_findings(quality.silent(parcels[worst.parcel_id]), worst.life.high / SPREAD),
            *excursions_met(session, quality, worst),
        ],
    )


def excursions_met(session: Session, quality: LotQuality, state: ParcelState) -> list[Finding]:
    """Warnings for the excursions that a parcel was in. One query a stay."""
    met = []
    for place_id, from_at, until_at in state.places:
        for e in excursions.excursions_of(session, [place_id], from_at, until_at):
            met.append((quality.places[place_id].code, e.kind, e.from_at, e.ended_at, e.peak_c))
    return list(excursion_findings(met))


def _life_out(state: ParcelState, profile: str) -> LifeOut:
    life = state.life
    return LifeOut(
        used=round(life.value, 4),
        used_range=(round(life.low, 4), round(life.high, 4)),
        left_days=round(life.left_days, 1),
        profile=profile,
    )


def _exposure_out(exposure: Exposure) -> ExposureOut:
    return ExposureOut(
        hours_known=round(exposure.known_s / 3600, 2),
        hours_unknown=round(exposure.unknown_s / 3600, 2),
        max_c=None if exposure.max_c is None else round(exposure.max_c, 2),
    )
