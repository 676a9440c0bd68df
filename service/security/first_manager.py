"""The first manager of an empty house, let in by a code that only its owner can read.

While there is no user at all, anybody on the network could take the house. So `fishhouse
serve` prints a code; it lies in the data folder, where nobody but the service's own account
can read it, and guessing it is slowed down like guessing a password.
"""

import hmac
import os
import secrets
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection
from sqlalchemy import select as select_columns
from sqlalchemy import text as sql
from sqlmodel import Session, col

from service.errors import NotAllowed
from service.security import sessions
from service.security.models import LoginFailure, User
from service.security.people import ensure_strong
from service.security.rules import Role
from service.security.users import add_user

FIRST_RUN = "/first-run"
"""Where the first run begins."""
FILE = "setup-code"
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # without those that look like others
GROUPS, OF = 3, 4  # 60 bits
GUESSED_AS = "the first manager"  # under which wrong codes are counted


class EmptyHouse:
    """Whether there is no user yet; one select until there is one, and then never again."""

    def __init__(self) -> None:
        self._somebody = False

    def __call__(self, connection_of: Callable[[], Connection]) -> bool:
        """Whether nobody at all may log in or ask."""
        if not self._somebody:
            with connection_of() as connection:
                self._somebody = connection.execute(_anybody()).first() is not None
        return not self._somebody


def setup_code(folder: Path) -> str:
    """The code of this house; made when it is first asked for, readable by its owner alone."""
    file = folder / FILE
    code = "-".join("".join(secrets.choice(LETTERS) for _ in range(OF)) for _ in range(GROUPS))
    with suppress(FileExistsError):
        opened = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(opened, "w") as written:
            written.write(code)
    return file.read_text().strip()


def forget_setup_code(folder: Path) -> None:
    """Remove the code: somebody is known now, and it opens nothing any more."""
    (folder / FILE).unlink(missing_ok=True)


def ensure_empty(session: Session) -> None:
    """Raise NotAllowed if there is a user already. One query."""
    if session.execute(_anybody()).first() is not None:
        raise NotAllowed(
            "people work here already",
            advice="Log in. A manager lets others in, under Settings, People.",
        )


def become_first_manager(
    session: Session,
    code: str,
    name: str,
    password: str,
    *,
    folder: Path,
    address: str,
    at: datetime,
) -> str | None:
    """The cookie of the first manager's first session; None for a wrong code, which is counted.

    Of two who try at once, one waits and is then refused. Raises NotAllowed if there is a user
    already, TooOften for whoever guesses, Invalid for a name or password that cannot be.
    """
    _let_one_try(session)
    ensure_empty(session)
    sessions.refuse_guessing(session, GUESSED_AS, address=address, at=at)
    if not _same(code, setup_code(folder)):
        session.add(LoginFailure(name=GUESSED_AS, address=address, at=at))
        return None
    ensure_strong(password)
    user = add_user(session, name, Role.MANAGER, at=at, password=password)
    return sessions.open_session(session, user, at=at)


def _anybody() -> Any:
    return select_columns(col(User.id)).limit(1)


def _let_one_try(session: Session) -> None:
    """Wait for whoever is becoming the first manager now. SQLite has one writer anyway."""
    if session.get_bind().dialect.name == "postgresql":
        session.execute(sql("LOCK TABLE app_user IN SHARE ROW EXCLUSIVE MODE"))


def _same(said: str, code: str) -> bool:
    """In constant time, whatever case, spaces and dashes it was typed with.

    A code that is not whole (the disk was full when it was written) lets nobody in.
    """
    whole = len(_plain(code)) == GROUPS * OF
    return hmac.compare_digest(_plain(said), _plain(code)) and whole


def _plain(code: str) -> bytes:
    return "".join(c for c in code.upper() if c.isalnum()).encode()
