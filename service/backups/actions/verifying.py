"""Checking a backup by bringing it back into a database that is thrown away."""

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlmodel import Session, col, select

from service.backups.actions.restoring import Restored, bring_to, restore
from service.backups.actions.tables import Still
from service.database import open_database
from service.errors import Conflict
from service.ledger import queries as ledger
from service.photos.models import Photo
from service.security import audit
from service.security.models import AuditHead


@dataclass(frozen=True)
class Report:
    """What was found. problems: why it is no good; notes: what was wrong before it was made."""

    problems: tuple[str, ...]
    notes: tuple[str, ...] = ()
    rows: int = 0
    files: int = 0
    made_at: str | None = None

    @property
    def good(self) -> bool:
        """Whether everything can be brought back from it."""
        return not self.problems


def verify(path: Path, *, folder: Path | None = None, still: Still = lambda: None) -> Report:
    """Bring a backup of either database into a temporary SQLite file and look at it.

    Every byte against the seal, every member against the manifest, row counts, references,
    the audit chains to their ends, the balance of grams, every file against its name; and
    that the newest migrations run over it. folder: where the temporary file is made; it
    takes about as much room as the database.
    """
    try:
        with tempfile.TemporaryDirectory(dir=folder, prefix=".verifying-") as scratch:
            address = f"sqlite:///{Path(scratch) / 'verified.db'}"
            restored = restore(path, address, None, still=still)
            bring_to(address, "head")
            return _looked_at(restored, address)
    except Conflict as error:
        return Report((error.detail,))
    except OSError as error:
        return Report((f"{path.name} could not be brought back: {error.strerror or error}",))


def _looked_at(restored: Restored, address: str) -> Report:
    database = open_database(address)
    try:
        with Session(database.snapshot) as session:
            problems = [
                *(
                    f"audit chain {b.chain}, entry {b.number}: {b.why}"
                    for b in audit.verify(session)
                ),
                *_other_chains(session, restored.manifest["chains"]),
                *_unbalanced(session, restored.manifest["grams"]),
                *_damaged_files(restored),
            ]
            notes = [
                *(f"file {d} was damaged before" for d in restored.manifest["damaged"]),
                *_missing_files(session, restored),
            ]
    finally:
        database.close()
    return Report(
        tuple(problems),
        tuple(notes),
        rows=sum(restored.rows.values()),
        files=restored.files,
        made_at=restored.head["made_at"],
    )


def _other_chains(session: Session, said: list[dict[str, Any]]) -> list[str]:
    heads = session.exec(select(AuditHead).order_by(col(AuditHead.chain)))
    found = [head.model_dump() for head in heads]
    return [] if found == said else ["the audit chains end elsewhere than the manifest says"]


def _unbalanced(session: Session, said: dict[str, int]) -> list[str]:
    totals = {str(account): grams for account, grams in ledger.account_totals(session).items()}
    totals["parcels"] = ledger.parcel_total(session)
    problems = [
        f"{name}: {totals.get(name, 0)} g, not {grams} g"
        for name, grams in said.items()
        if totals.get(name, 0) != grams
    ]
    if sum(totals.values()):
        problems.append(f"the books do not balance: {sum(totals.values())} g too many")
    return problems


def _damaged_files(restored: Restored) -> list[str]:
    before = set(restored.manifest["damaged"])
    named = {
        name.removeprefix("files/").replace("/", ""): digest
        for name, digest in restored.digests.items()
        if name.startswith("files/")
    }
    return [
        f"file {name} is damaged"
        for name, digest in sorted(named.items())
        if name != digest and name not in before
    ]


def _missing_files(session: Session, restored: Restored) -> list[str]:
    wanted = set(session.exec(select(Photo.digest)))
    missing = wanted - restored.stored - set(restored.manifest["damaged"])
    return [f"the file of photo {digest} was missing before" for digest in sorted(missing)]
