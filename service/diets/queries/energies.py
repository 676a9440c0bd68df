"""The energy of the fish that is next in use."""

from collections.abc import Iterable, Mapping
from datetime import date

from sqlmodel import Session

from service.assays.queries import newest_assay_values
from service.decisions import Outcome
from service.diets.queries.kept import settled_energies
from service.diets.rules.energy import FishEnergy, assayed_energy, usual_energy
from service.ledger.queries import freezer_stock
from service.ledger.rules import FreezerParcel
from service.lots.rules import may_use
from service.site.queries import SiteView


def energies(
    session: Session, view: SiteView, day: date, species: Iterable[str]
) -> Mapping[str, FishEnergy]:
    """The energy of each species that a day goes by: settled, else of the lot next in use.

    Two queries a species that is not settled.
    """
    wanted = set(species)
    if not wanted:
        return {}
    found = {
        row.species_code: FishEnergy(row.kcal_per_kg, row.source, row.lot_id)
        for row in settled_energies(session, view.id, day)
    }
    return {code: found.get(code) or _next_in_use(session, view, day, code) for code in wanted}


def _next_in_use(session: Session, view: SiteView, day: date, species: str) -> FishEnergy:
    """By the assay of the first lot that may be used, else what the species usually has."""
    # Reservations of the day itself have run out at its end: what is kept for it is next.
    stock = freezer_stock(
        session, species, site_id=view.id, now=view.end_of(day), order=view.policy.use_order
    )
    parcel = next((p for p in stock if _usable(p, view, day)), None)
    if parcel is None:
        return usual_energy(species)
    values = newest_assay_values(session, parcel.lot_id, on=day)
    found = assayed_energy(species, {tag: value.as_fed for tag, (_, value) in values.items()})
    if found is None:
        usual = usual_energy(species)
        return FishEnergy(usual.kcal_per_kg, usual.source, parcel.lot_id)
    return FishEnergy(found, f"assay of lot {parcel.lot.code}", parcel.lot_id)


def _usable(parcel: FreezerParcel, view: SiteView, day: date) -> bool:
    findings = may_use(parcel.lot, view.policy, day)
    return parcel.holding.available > 0 and not any(f.outcome is Outcome.BLOCK for f in findings)
