"""A small invented place to measure in: one freezer, ten probes, sixty lots."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from service.catalogue import actions as catalogue
from service.catalogue.schemas import ProductIn, SupplierIn
from service.database import Database, open_database
from service.migrations import migrate
from service.probes.actions.setting_up import add_probe
from service.probes.schemas import ProbeIn
from service.receiving.actions import arriving as receiving
from service.receiving.schemas import DeliveryIn
from service.security import users
from service.security.actor import SERVICE
from service.security.rules import Role
from service.security.transactions import transaction
from service.site import actions as site
from service.site.schemas import PlaceIn

LOTS = 60  # so that a list of fifty has a next page
PROBES = 10
TWINS = "RAW"  # probes whose readings are stored raw, to compare with


@dataclass(frozen=True)
class BenchPlace:
    """A database that is filled, and who may ask."""

    address: str
    token: str
    lot: str


def fill(address: str, *, at: datetime) -> BenchPlace:
    """Tables, a user with a token, and fish. Raises if the database is not empty."""
    migrate(address, at=at)
    with opened(address) as database, transaction(database.writer) as session:
        site.add_place(
            session,
            PlaceIn.model_validate({"code": "FZ1", "name": "Freezer", "kind": "freezer"}),
            at=at,
            by=SERVICE,
        )
        for number in range(PROBES):
            for kind in ("AIR", TWINS):
                probe = ProbeIn(code=f"{kind}-{number}", place="FZ1")
                add_probe(session, probe, at=at, by=SERVICE)
        catalogue.add_supplier(
            session, SupplierIn(code="NORD", name="Northern Fish"), at=at, by=SERVICE
        )
        catalogue.add_product(session, _product(), at=at, by=SERVICE)
        _, received = receiving.receive(session, _delivery(at.date(), at), at=at, by=SERVICE)
        lot = received[0].lot.code
        user = users.add_user(session, "bench", Role.MANAGER, at=at)
        token = users.issue_token(session, user, at=at)
    return BenchPlace(address, token, lot)


@contextmanager
def opened(address: str) -> Iterator[Database]:
    """Engines on a database, closed afterwards."""
    database = open_database(address)
    try:
        yield database
    finally:
        database.close()


def _product() -> ProductIn:
    return ProductIn.model_validate(
        {
            "code": "HER-BLOCK-10",
            "species": "HER",
            "supplier": "NORD",
            "form": "block",
            "carton_mass": "10 kg",
        }
    )


def _delivery(today: date, at: datetime) -> DeliveryIn:
    """Lots of successive catches."""
    lots = [
        {
            "product": "HER-BLOCK-10",
            "place": "FZ1",
            "supplier_lot": f"A{number}",
            "caught_from": today - timedelta(days=100 - number),
            "caught_to": today - timedelta(days=99 - number),
            "frozen_on": today - timedelta(days=98 - number),
            "mass": "640 kg",
            "core_temperatures": ["-20 °C", "-20 °C", "-21 °C"],
        }
        for number in range(LOTS)
    ]
    return DeliveryIn.model_validate({"supplier": "NORD", "arrived_at": at, "lots": lots})
