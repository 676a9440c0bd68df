"""What may stand in for fish that is short."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime

from sqlmodel import Session

from service.animals.queries import codes_of
from service.assessments.queries.taking import held_back
from service.decisions import Outcome
from service.diets.queries.energies import energies
from service.diets.queries.kept import Eater, in_force_on
from service.diets.queries.need import Portion, portions
from service.diets.rules.energy import FishEnergy
from service.diets.rules.substituting import Swap, Wish, cautions, swaps_for
from service.diets.schemas import SpeciesMass, Substitutes, SubstitutionProposal
from service.ledger.queries import freezer_stock
from service.lots.rules import may_use
from service.site.queries import SiteView


def substitutes_for(
    session: Session, view: SiteView, day: date, short: Mapping[str, int], *, at: datetime
) -> Substitutes:
    """Approved substitutes at equal energy for the grams that are short, who eats them, what stays.

    Only fish that nobody has reserved: ask after the day's own need is reserved.
    Nothing is changed: `actions.substituting.accept` does. Cost: as `portions`, and three
    queries for each substitute.
    """
    wishes = _wishes(session, view, day, portions(session, view, day), set(short))
    others = {code for wish in wishes for code in wish.substitutes}
    known = energies(session, view, day, others | {wish.species for wish in wishes})
    swaps, unmet = swaps_for(
        short,
        wishes,
        available_of(session, view, day, others, at=at),
        {code: energy.kcal_per_kg for code, energy in known.items()},
    )
    names = codes_of(session, [swap.eater for swap in swaps])
    return Substitutes(
        proposals=[proposal(swap, names[swap.eater], known, view) for swap in swaps],
        unmet=[SpeciesMass(species=s, mass=view.units.mass_out(g)) for s, g in unmet.items()],
    )


def _wishes(
    session: Session,
    view: SiteView,
    day: date,
    portions: Sequence[Portion],
    species: set[str],
) -> list[Wish]:
    grams: dict[tuple[Eater, str], int] = {}
    for p in portions:
        if p.species in species:
            key = ((p.animal_id, p.group_id), p.species)
            grams[key] = grams.get(key, 0) + p.grams
    if not grams:
        return []
    approved = {
        (eater, code): others
        for eater, diets in in_force_on(session, view.id, day).items()
        for diet in diets
        for code, others in diet.substitutes.items()
    }
    return [
        Wish(eater, code, held, approved.get((eater, code), ()))
        for (eater, code), held in grams.items()
    ]


def available_of(
    session: Session, view: SiteView, day: date, species: Iterable[str], *, at: datetime
) -> dict[str, int]:
    """Grams of each species in freezers that may be planned for a day and nobody has reserved."""
    codes = sorted(set(species))
    waiting = held_back(session, view, at=at) if codes else frozenset()
    return {
        code: sum(
            parcel.holding.available
            for parcel in freezer_stock(
                session, code, site_id=view.id, now=at, order=view.policy.use_order
            )
            if parcel.holding.parcel_id not in waiting
            and not any(f.outcome is Outcome.BLOCK for f in may_use(parcel.lot, view.policy, day))
        )
        for code in codes
    }


def proposal(
    swap: Swap,
    named: tuple[str | None, str | None],
    known: Mapping[str, FishEnergy],
    view: SiteView,
) -> SubstitutionProposal:
    """A swap as it is shown."""
    was, now = known[swap.species], known[swap.substitute]
    return SubstitutionProposal(
        animal=named[0],
        group=named[1],
        species=swap.species,
        mass=view.units.mass_out(swap.grams),
        substitute=swap.substitute,
        substitute_mass=view.units.mass_out(swap.substitute_g),
        energy_kcal=swap.kcal,
        kcal_per_kg=was.kcal_per_kg,
        substitute_kcal_per_kg=now.kcal_per_kg,
        sources=[was.source, now.source],
        cautions=cautions(swap.species, swap.substitute),
    )
