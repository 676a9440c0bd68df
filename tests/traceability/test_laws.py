"""Whatever was done to stock, the trace of a lot accounts for every gram of it."""

from pathlib import Path

from hypothesis import settings
from hypothesis.stateful import invariant, run_state_machine_as_test
from sqlmodel import Session

from service.traceability.queries.whereabouts import traces
from tests.conftest import Templates, fresh_address
from tests.ledger.books import Books
from tests.ledger.test_laws import FEW, Copies, Kitchenful, furnished

__all__ = ["furnished"]  # a fixture of the ledger's laws


def check_traces(books: Books) -> None:
    """Against the books as they are read past the service's own queries."""
    rows = books.rows("SELECT id, grams FROM lot")
    came = {
        row.lot_id
        for row in books.rows(
            "SELECT transfer.lot_id FROM movement JOIN transfer ON movement_id = movement.id "
            "WHERE kind = 'received' AND movement.id NOT IN "
            "(SELECT reverses_id FROM movement WHERE reverses_id IS NOT NULL)"
        )
    }
    with Session(books.database.snapshot) as session:
        found = traces(session, [row.id for row in rows], at=books.at)
    for row in rows:
        where = found.by_lot[row.id].where
        assert where.unaccounted == 0, where
        assert where.received == (row.grams if row.id in came else 0)
        mine = [each for each in found.eaters if each.lot_id == row.id]
        assert (sum(e.eaten_g for e in mine), sum(e.left_g for e in mine)) == (
            where.eaten,
            where.left,
        )
        batches = found.by_lot[row.id].batches
        thawing = sum(e.grams for e in found.by_lot[row.id].on_hand if e.thaw_batch)
        assert sum(batch.remaining_g for batch in batches) == thawing
    totals = [each.where for each in found.by_lot.values()]
    accounts = books.by_account()
    assert sum(w.discarded + w.condemned for w in totals) == accounts.get("discarded", 0)
    assert sum(w.missing for w in totals) == accounts.get("count_difference", 0)
    assert sum(w.returned - w.received for w in totals) == accounts.get("supplier", 0)
    assert sum(w.on_hand for w in totals) == books.value("SELECT sum(grams) FROM parcel")


class Traced(Kitchenful):
    """Anything that people do to stock, traced after every step."""

    @invariant()
    def every_gram_is_accounted_for(self) -> None:
        check_traces(self.books)


def test_the_trace_of_a_lot_accounts_for_every_gram_whatever_happened(furnished: Path) -> None:
    with Copies(furnished) as copies:
        machine = type("TracedOnSqlite", (Traced,), {"copies": copies})
        run_state_machine_as_test(machine, settings=FEW)


def test_the_trace_of_a_lot_accounts_for_every_gram_on_postgresql(
    templates: Templates, tmp_path: Path
) -> None:
    made = templates.set_up["postgresql"].template
    for address in fresh_address("postgresql", templates, tmp_path, made):
        machine = type("TracedOnPostgresql", (Traced,), {"address": address})
        few = settings(FEW, max_examples=3, stateful_step_count=12)
        run_state_machine_as_test(machine, settings=few)
