"""People are told of batches that expire and products that run out: once, until it is over."""

from datetime import timedelta

from sqlmodel import col, select

from service.notifications.models import Message
from service.supplement_stock.actions.telling import find, tell_new
from service.supplement_stock.rules import Taken
from service.worker import look_after_supplements
from tests.kitchen import Kitchen
from tests.supplement_stock.cupboard import TODAY, a_jar, a_product, given, taken_back


def look(kitchen: Kitchen) -> int:
    with kitchen.looking() as session:
        found = find(session, kitchen.clock())
    with kitchen.writing() as session:
        return tell_new(session, found, kitchen.clock())


def told(kitchen: Kitchen) -> list[str]:
    with kitchen.looking() as session:
        mine = select(Message).where(col(Message.subject) == "supplement").order_by(col(Message.id))
        return [message.body for message in session.exec(mine)]


def test_a_batch_is_told_when_it_will_expire_and_again_when_it_has(kitchen: Kitchen) -> None:
    a_product(kitchen)
    a_jar(kitchen, expires_on="2027-01-25")  # in 61 days
    assert look(kitchen) == 0
    kitchen.clock.forward(days=1)
    assert (look(kitchen), look(kitchen)) == (1, 0), "once"
    assert told(kitchen) == [
        "B1-100 for sea lions (B1-100), batch LOT 12-a, expires on 2027-01-25: 100 piece left."
    ]
    kitchen.clock.forward(days=61)
    assert (look(kitchen), look(kitchen)) == (1, 0)
    assert "expired on 2027-01-25" in told(kitchen)[-1]
    kitchen.commissary.made("/supplement-batches/1/discard", {"reason": "expired"})
    assert look(kitchen) == 0
    assert len(told(kitchen)) == 2


def test_a_site_that_wants_to_know_earlier_is_told_earlier(kitchen: Kitchen) -> None:
    a_product(kitchen)
    a_jar(kitchen)
    assert look(kitchen) == 0
    change = {"changes": {"supplement_expiry_warn_days": 300}, "reason": "orders take long"}
    assert kitchen.manager.put("/sites/main/policy", change).status_code == 200
    assert look(kitchen) == 1


def test_what_runs_out_at_the_use_of_the_last_days_is_told_until_more_has_come(
    kitchen: Kitchen,
) -> None:
    """By hand: 20 pieces, 4 given on each of two days: 12 left, 3 days."""
    a_product(kitchen)
    jar = a_jar(kitchen, received=20)["id"]
    assert look(kitchen) == 0, "nothing is used yet"
    given(kitchen, Taken(jar, 4), day=TODAY - timedelta(days=1))
    given(kitchen, Taken(jar, 4))
    assert (look(kitchen), look(kitchen)) == (1, 0)
    assert told(kitchen) == [
        "B1-100 for sea lions (B1-100) lasts for 3 days: 12 piece can be used, 4 a day are."
    ]
    kitchen.commissary.made(f"/supplement-batches/{jar}/receipts", {"received": 100})
    assert look(kitchen) == 0
    kitchen.commissary.made(
        f"/supplement-batches/{jar}/counts", {"counted": 5, "reason": "the jar fell"}
    )
    assert look(kitchen) == 1, "it is news again"


def test_what_was_taken_back_was_not_used(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen, received=20)["id"]
    given(kitchen, Taken(jar, 10, reference="given 1"))
    taken_back(kitchen, ["given 1"])
    assert look(kitchen) == 0


def test_a_used_up_product_that_is_still_given_is_told(kitchen: Kitchen) -> None:
    a_product(kitchen)
    jar = a_jar(kitchen, received=1)["id"]
    given(kitchen, Taken(jar, 1))
    assert look(kitchen) == 1
    assert "lasts for 0 days" in told(kitchen)[0]


def test_the_worker_looks(kitchen: Kitchen) -> None:
    a_product(kitchen)
    a_jar(kitchen, expires_on="2026-11-01")
    look_after_supplements(kitchen.app.state.database, kitchen.clock)
    look_after_supplements(kitchen.app.state.database, kitchen.clock)
    assert len(told(kitchen)) == 1
