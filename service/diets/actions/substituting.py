"""Fish that stands in for other fish on a day, accepted or taken back."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal, AnimalGroup
from service.catalogue.queries import lock_species, species_by_code
from service.diets.models import DaySubstitution
from service.diets.queries.energies import energies
from service.diets.queries.kept import Eater, in_force_on, substitution_by_id
from service.diets.queries.need import need_of
from service.diets.queries.substitutes import proposal
from service.diets.rules.substituting import Swap
from service.diets.schemas import SubstitutionIn, SubstitutionProposal, WithdrawalIn
from service.errors import Conflict
from service.http.bodies import refuse_future
from service.science.energy import equal_energy_kg
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView


def accept(
    session: Session,
    view: SiteView,
    day: date,
    proposals: Sequence[SubstitutionProposal],
    *,
    reason: str,
    at: datetime,
    by: Actor,
) -> list[DaySubstitution]:
    """Make proposed substitutions: the day's portions and `shares_of` hold the other fish.

    Raises NotFound, Conflict where the diet in force does not approve of the substitute, or
    the day's ration does not hold so much of the fish any more.
    """
    lock_species(session, {p.species for p in proposals} | {p.substitute for p in proposals})
    made = []
    for one in proposals:
        eater = _named(session, one.animal, one.group, by)
        _ensure_possible(session, view, day, _key(eater), one)
        swap = DaySubstitution(
            site_id=view.id,
            day=day,
            animal_id=_key(eater)[0],
            group_id=_key(eater)[1],
            species_code=one.species,
            grams=one.mass.g,
            substitute_code=one.substitute,
            substitute_g=one.substitute_mass.g,
            kcal=one.energy_kcal,
            reason=reason,
            recorded_at=at,
            by=by.name,
        )
        session.add(swap)
        session.flush()
        audit.note(
            session,
            by,
            "substitution accepted",
            eater.code,
            at=at,
            site_id=view.id,
            after=one,
            detail={"day": str(day), "species": one.species, "substitute": one.substitute},
        )
        made.append(swap)
    return made


def substitute(
    session: Session, new: SubstitutionIn, *, at: datetime, by: Actor
) -> DaySubstitution:
    """One fish for another of the same energy, for one eater on a day. Raises as `accept`."""
    refuse_future(new.occurred_at, now=at)
    eater = _named(session, new.animal, new.group, by)
    for field in ("species", "substitute"):
        species_by_code(session, getattr(new, field), field=field)
    view = sites.view(session, eater.site_id, at=at)
    known = energies(session, view, new.day, {new.species, new.substitute})
    was, now = known[new.species].kcal_per_kg, known[new.substitute].kcal_per_kg
    grams = round(equal_energy_kg(new.mass.grams, was, now))
    swap = Swap(
        _key(eater),
        new.species,
        new.mass.grams,
        new.substitute,
        max(1, grams),
        round(grams * now / 1000, 1),
    )
    one = proposal(swap, (new.animal, new.group), known, view)
    return accept(session, view, new.day, [one], reason=new.reason, at=at, by=by)[0]


def withdraw(
    session: Session, number: int, withdrawal: WithdrawalIn, *, at: datetime, by: Actor
) -> DaySubstitution:
    """A substitution is not made after all. Raises NotFound, Conflict if it was withdrawn."""
    refuse_future(withdrawal.occurred_at, now=at)
    swap = substitution_by_id(session, number, by=by)
    lock_species(session, {swap.species_code, swap.substitute_code})
    session.refresh(swap)
    if swap.withdrawn_at is not None:
        raise Conflict("this substitution was withdrawn before", kind="already-withdrawn")
    swap.withdrawn_at, swap.withdrawn_by = at, by.name
    session.add(swap)
    session.flush()
    audit.note(
        session,
        by,
        "substitution withdrawn",
        number,
        at=at,
        site_id=swap.site_id,
        after=withdrawal,
    )
    return swap


def _named(
    session: Session, animal: str | None, group: str | None, by: Actor
) -> Animal | AnimalGroup:
    if animal is not None:
        return animals.animal_by_code(session, animal, by=by)
    return animals.group_by_code(session, group or "", by=by)


def _key(eater: Animal | AnimalGroup) -> Eater:
    return (eater.id, None) if isinstance(eater, Animal) else (None, eater.id)


def _ensure_possible(
    session: Session, view: SiteView, day: date, eater: Eater, one: SubstitutionProposal
) -> None:
    approved: Iterable[str] = (
        code
        for diet in in_force_on(session, view.id, day, eaters=[eater]).get(eater, [])
        for code in diet.substitutes.get(one.species, ())
    )
    if one.substitute not in approved:
        raise Conflict(
            f"{one.substitute} is not approved to stand in for {one.species}",
            kind="not-a-substitute",
            advice="Name it as a substitute in the diet first.",
        )
    held = sum(
        portion.grams
        for portion in need_of(session, view, day).portions
        if (portion.animal_id, portion.group_id) == eater and portion.species == one.species
    )
    if held < one.mass.g:
        raise Conflict(
            f"{held} g of {one.species} are in the ration of {day}, {one.mass.g} g were given up",
            kind="nothing-to-substitute",
            advice="Ask for substitutes again.",
        )
