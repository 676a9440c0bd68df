"""The quality of a lot: life used and nutrients left, parcel by parcel."""

from datetime import UTC, datetime, time

from sqlmodel import Session, col, select

from service.assays import queries as assays
from service.assays.models import Assay, AssayValue
from service.catalogue.rules import (
    Thiaminase,
    content_source,
    default_content,
    nutrients,
    species_facts,
)
from service.decisions import Finding
from service.excursions import queries as excursions
from service.ledger import queries as ledger
from service.ledger.models import Parcel, ThawBatch
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import age_findings
from service.quality.queries.exposure import Exposures, before_arrival, chain, nothing
from service.quality.rules import (
    SPREAD,
    Exposure,
    ParcelState,
    excursion_findings,
    life_findings,
    life_of,
    silence_findings,
    worst_of,
)
from service.quality.schemas import (
    ExposureOut,
    LifeOut,
    NutrientLeft,
    ParcelQuality,
    QualityOut,
)
from service.science.exposure import DAY_S
from service.science.kinetics import (
    LOSS_RATES,
    SINGLE_ASSAY_LN_SD,
    SPECIES_DEFAULT_LN_SD,
    assay_ln_sd,
    residual,
)
from service.science.storage_life import life_rate_per_day
from service.site import queries as sites
from service.site.queries import SiteView
from service.temperatures.rules import life_column, vitamin_column

PROXIMATE_LN_SD = 0.20  # spread of a species' proximates by season [science reference 7]
FILLET_FOR_WHOLE_LN_SD = 0.3  # a fillet result used for whole fish [science reference 6.3]
_PROXIMATES = frozenset({"WATER", "PROCNT", "FAT", "ASH", "CHOCDF", "ENERC"})


class LotQuality:
    """One lot at one instant. Loads its parcels once; every figure comes from here."""

    def __init__(self, session: Session, lot: Lot, view: SiteView, at: datetime) -> None:
        assert lot.id is not None
        self._session, self.lot, self.view, self.at = session, lot, view, at
        self._all = {p.id: p for p in ledger.lot_parcels(session, lot.id) if p.id is not None}
        self.places = sites.places_by_id(session, [p.place_id for p in self._all.values()])
        self.exposures = Exposures(session, view, self.places)
        self.facts = species_facts()[lot.species_code]
        self._doubtful: dict[datetime | None, Exposure] = {}

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
        today = self.view.day_of(self.at)
        assayed = assays.newest_assay_values(self._session, self.lot.id, on=today)
        content = dict(default_content(self.lot.species_code))
        rows = []
        for tag in nutrients():
            if tag in assayed:
                assay, value = assayed[tag]
                rows.append(self._left(parcel, tag, value.as_fed, assay, value))
            elif tag in content:
                rows.append(self._left(parcel, tag, content[tag], None))
        return rows

    def _left(
        self,
        parcel: Parcel,
        tag: str,
        content: float,
        assay: Assay | None,
        value: AssayValue | None = None,
    ) -> NutrientLeft:
        since = self._noon(assay) if assay else None
        spread = _assay_spread(value)
        if assay is None:
            spread = PROXIMATE_LN_SD if tag in _PROXIMATES else SPECIES_DEFAULT_LN_SD
        elif assay.portion == "fillet":
            spread += FILLET_FOR_WHOLE_LN_SD
        rate = LOSS_RATES.get(tag)
        exposure = self.exposure(parcel, since) if rate is not None else None
        column = vitamin_column()
        days, fewest, most = (
            (float(x[column]) / DAY_S for x in (exposure.value, exposure.low, exposure.high))
            if exposure is not None
            else (0.0, 0.0, 0.0)
        )
        left = residual(
            content, days, rate, content_ln_sd=spread, equivalent_days_range=(fewest, most)
        )
        low, high = left.low, left.high
        if value is not None and value.limit_as_fed is not None and content > 0:
            # Nothing was seen: anything from none to the detection limit, as far as it is left.
            low, high = 0.0, left.high * value.limit_as_fed / content
        return NutrientLeft(
            nutrient=tag,
            amount=_short(left.value),
            range=(_short(low), _short(high)),
            unit=nutrients()[tag].unit,
            note=self._note(tag),
            from_=f"assay {assay.sampled_on}"
            if assay
            else f"species default: {content_source(self.lot.species_code)}",
        )

    def _noon(self, assay: Assay) -> datetime:
        return datetime.combine(assay.sampled_on, time(12), self.view.zone).astimezone(UTC)

    def _note(self, tag: str) -> str | None:
        if tag == "THIA" and self.facts.thiaminase is not Thiaminase.ABSENT:
            return (
                f"thiaminase {self.facts.thiaminase}: no credit, thiamine is destroyed after thaw"
            )
        if tag in ("THIA", "VITE") and not self.view.policy.credit_thiamine_and_vitamin_e:
            return "the site's policy gives no credit: evidence is weak"
        return None


def _assay_spread(value: AssayValue | None) -> float:
    """Of a result's replicates where there were any, else of a single result."""
    if value is None or value.cv is None or value.replicates is None:
        return SINGLE_ASSAY_LN_SD
    return assay_ln_sd(value.cv, value.replicates)


def _short(value: float) -> float:
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
