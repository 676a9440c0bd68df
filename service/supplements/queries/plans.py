"""Every select of plans, products and what was given."""

from collections.abc import Sequence
from datetime import date

from sqlmodel import Session, col, select

from service.catalogue.models import SupplementProduct
from service.catalogue.queries import supplement_products
from service.catalogue.rules import smallest_piece
from service.errors import NotFound
from service.security.actor import Actor
from service.site.models import Site
from service.supplement_stock.queries import in_use
from service.supplements.models import SupplementPlan
from service.supplements.rules import PlanStatus
from service.supplements.rules.products import Product


def offered(session: Session, site_id: int, day: date) -> list[Product]:
    """What there is to give, in order of preference, each with the strength of its next batch.

    A product of which no stock is kept has the strength that it was set up with. Two queries.
    """
    products = supplement_products(session)
    batches = in_use(session, site_id, [p.id for p in products if p.id is not None], on=day)
    found = []
    for product in products:
        batch = batches.get(product.id or 0)
        price = product.price if batch is None or batch.price is None else batch.price
        found.append(
            Product(
                code=product.code,
                name=product.name,
                form=product.form,
                smallest=smallest_piece(product.form, product.divisible, product.smallest),
                contents=product.contents if batch is None else batch.contents,
                price=float(price or 0.0),
                batch=None if batch is None else batch.code,
            )
        )
    return found


def plans(
    session: Session,
    site_ids: Sequence[int],
    *,
    day: date | None,
    animal_id: int | None,
    status: PlanStatus | None,
    limit: int,
    before_id: int | None,
) -> Sequence[tuple[SupplementPlan, str]]:
    """The newest plans of sites with the codes of these; of a first day where named. One query."""
    plan = SupplementPlan
    statement = (
        select(plan, Site.code)
        .join(Site, col(Site.id) == col(plan.site_id))
        .where(col(plan.site_id).in_(site_ids))
        .order_by(col(plan.id).desc())
        .limit(limit)
    )
    for column, value in ((plan.day, day), (plan.animal_id, animal_id), (plan.status, status)):
        if value is not None:
            statement = statement.where(col(column) == value)
    if before_id is not None:
        statement = statement.where(col(plan.id) < before_id)
    return session.exec(statement).all()


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


def products_by_code(session: Session, codes: Sequence[str]) -> dict[str, SupplementProduct]:
    """Supplement products by code. Raises NotFound naming the first that is missing."""
    statement = select(SupplementProduct).where(col(SupplementProduct.code).in_(set(codes)))
    found = {product.code: product for product in session.exec(statement)}
    for number, code in enumerate(codes):
        if code not in found:
            raise NotFound.of("supplement product", code, f"supplements.{number}.product")
    return found
