"""Bringing a database to the newest revision: the only way tables are made."""

from datetime import datetime
from pathlib import Path

from alembic.config import Config

from alembic import command
from service.catalogue.actions import load_species
from service.database import full_url, open_database
from service.security.transactions import transaction
from service.site.actions import ensure_a_site

SCRIPTS = Path(__file__).parent.parent / "alembic"


def configuration(address: str) -> Config:
    """Alembic's configuration for a database; its scripts lie beside the package."""
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS))
    url = full_url(address).render_as_string(hide_password=False)
    config.set_main_option("sqlalchemy.url", url.replace("%", "%%"))
    return config


def migrate(address: str, *, at: datetime) -> None:
    """To the newest revision; on an empty database one site, and the catalogue's species."""
    command.upgrade(configuration(address), "head")
    database = open_database(address)
    try:
        with transaction(database.writer) as session:
            load_species(session)
            ensure_a_site(session, at=at)
    finally:
        database.close()
