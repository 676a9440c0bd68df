"""Every select of requirements, plans and what was given; and a day's food."""

from collections.abc import Sequence
from datetime import date, datetime

from sqlmodel import Session, col, or_, select

from service.animals.models import Animal
from service.catalogue.models import SupplementProduct
from service.catalogue.rules import Basis, default_content
from service.diets.queries import diet_grams
from service.errors import NotFound
from service.feeding.queries.intake import lots_eaten_on
from service.ledger.queries import freezer_stock
from service.lots.models import Lot
from service.quality.queries.quality import LotQuality
from service.security.actor import Actor
from service.site.models import Site
from service.site.queries import SiteView
from service.supplements.models import Requirement, SupplementGiven, SupplementPlan
from service.supplements.rules import Food, LimitOn, Mode, Per, PlanBasis, Scope, Wanted
from service.thawing.rules.choosing import may_plan

NOTHING_KNOWN_LN_RANGE = 0.6  # factor of 10-90 % about a species default, as ln-sd 0.5


def set_for(session: Session, animal: Animal) -> list[Wanted]:
    """The requirements that a site has set and that reach this animal. One query."""
    statement = (
        select(Requirement)
        .where(
            col(Requirement.site_id) == animal.site_id,
            or_(
                col(Requirement.scope) == Scope.SITE,
                (col(Requirement.scope) == Scope.GROUP)
                & (col(Requirement.group_name) == animal.group_name),
                col(Requirement.animal_id) == animal.id,
            ),
        )
        .order_by(col(Requirement.id))
    )
    return [
        Wanted(
            nutrient=r.nutrient,
            amount=r.amount,
            basis=Basis(r.basis),
            mode=Mode(r.mode),
            per=Per(r.per),
            scope=Scope(r.scope),
            source=r.source,
            cap_per_day=r.cap_per_day,
            limit=r.limit_per_day,
            limit_on=LimitOn(r.limit_on),
            number=r.id or 0,
        )
        for r in session.exec(statement)
    ]


def requirements(
    session: Session, site_ids: Sequence[int]
) -> Sequence[tuple[Requirement, str, str | None]]:
    """What these sites have set, by number, with the codes of site and animal. One query."""
    statement = (
        select(Requirement, Site.code, Animal.code)
        .join(Site, col(Site.id) == col(Requirement.site_id))
        .outerjoin(Animal, col(Animal.id) == col(Requirement.animal_id))
        .where(col(Requirement.site_id).in_(site_ids))
        .order_by(col(Requirement.id))
    )
    return session.exec(statement).all()


def food_of(
    session: Session,
    animal: Animal,
    day: date,
    basis: PlanBasis,
    view: SiteView,
    *,
    at: datetime,
    with_content: bool,
) -> list[Food]:
    """A day's food by species and lot.

    By diet the lot that is next in use stands for each species; by feeds the
    lots that were eaten. Content is worked out only where somebody asks for it:
    it costs the history of each lot.
    """
    if basis is PlanBasis.FEEDS:
        return [
            _food(
                session,
                eaten.species,
                eaten.eaten_g,
                session.get_one(Lot, eaten.lot_id),
                view,
                at,
                with_content,
            )
            for eaten in lots_eaten_on(session, animal.id or 0, day)
        ]
    return [
        _food(
            session,
            species,
            grams,
            _next_lot(session, species, view, day, at) if with_content else None,
            view,
            at,
            with_content,
        )
        for species, grams in diet_grams(session, animal.id or 0, day).items()
    ]


def _next_lot(
    session: Session, species: str, view: SiteView, day: date, at: datetime
) -> Lot | None:
    stock = freezer_stock(session, species, site_id=view.id, now=at, order=view.policy.use_order)
    for parcel in stock:
        if may_plan(parcel.lot, view.policy, day):
            return session.get_one(Lot, parcel.lot_id)
    return None


def _food(
    session: Session,
    species: str,
    grams: int,
    lot: Lot | None,
    view: SiteView,
    at: datetime,
    with_content: bool,
) -> Food:
    default = default_content(species)
    water = default["WATER"] / 100
    if not with_content:
        return Food(species, grams, water, {})
    if lot is None:
        spread = 1 + NOTHING_KNOWN_LN_RANGE
        return Food(
            species, grams, water, {t: (a / spread, a * spread) for t, a in default.items()}
        )
    quality = LotQuality(session, lot, view, at)
    worst = quality.on_hand()[0]
    left = quality.nutrients_left(worst)
    content = {n.nutrient: n.range for n in left}
    moist = next((n.amount for n in left if n.nutrient == "WATER"), 100 * water)
    return Food(species, grams, moist / 100, content)


def plan_by_id(session: Session, number: int, *, by: Actor, lock: bool = False) -> SupplementPlan:
    """The plan of this number. Raises NotFound, NotAllowed at somebody else's site."""
    statement = select(SupplementPlan).where(col(SupplementPlan.id) == number)
    if lock:
        statement = statement.with_for_update()
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("supplement plan", number, "plan")
    by.ensure_site(found.site_id)
    return found


def given_on(
    session: Session, animal_id: int, day: date
) -> Sequence[tuple[SupplementGiven, SupplementProduct]]:
    """What an animal was given on a day. One query."""
    statement = (
        select(SupplementGiven, SupplementProduct)
        .join(SupplementProduct, col(SupplementProduct.id) == col(SupplementGiven.product_id))
        .where(col(SupplementGiven.animal_id) == animal_id, col(SupplementGiven.day) == day)
        .order_by(col(SupplementGiven.id))
    )
    return session.exec(statement).all()


def products_by_code(session: Session, codes: Sequence[str]) -> dict[str, SupplementProduct]:
    """Supplement products by code. Raises NotFound naming the first that is missing."""
    statement = select(SupplementProduct).where(col(SupplementProduct.code).in_(set(codes)))
    found = {product.code: product for product in session.exec(statement)}
    for number, code in enumerate(codes):
        if code not in found:
            raise NotFound.of("supplement product", code, f"supplements.{number}.product")
    return found
