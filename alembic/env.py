"""Alembic's entry: every part's tables, on either database."""

import service.animals.models
import service.assays.models
import service.assessments.models
import service.backups.models
import service.buckets.models
import service.catalogue.models
import service.checks.models
import service.chores.models
import service.diets.models
import service.excursions.models
import service.fallback.models
import service.feeding.models
import service.inspections.models
import service.jobs.models
import service.ledger.models
import service.lots.models
import service.mqtt.models
import service.notifications.models
import service.photos.models
import service.probes.models
import service.receiving.models
import service.security.models
import service.site.models
import service.supplement_stock.models
import service.supplements.models
import service.temperatures.models
import service.thawing.models
import service.watch_list.models
import service.welfare.models
from alembic import context
from service.database import open_database
from service.temperatures.rules.months import is_partition
from sqlmodel import SQLModel


def render_item(kind: str, item: object, _context: object) -> str | bool:
    """Plain SQLAlchemy types in the scripts, so that they never change with our code."""
    names = {"UTCDateTime": "sa.DateTime(timezone=True)", "AutoString": "sa.String()"}
    return names.get(type(item).__name__, False) if kind == "type" else False


def include_name(name: str | None, kind: str, _parents: object) -> bool:
    """A partition belongs to its table; no model stands for it."""
    return not (kind == "table" and is_partition(name or ""))


def run() -> None:
    """Run the migrations in one transaction."""
    database = open_database(context.config.get_main_option("sqlalchemy.url") or "")
    try:
        with database.writer.connect() as connection:
            context.configure(
                connection=connection,
                target_metadata=SQLModel.metadata,
                compare_type=True,
                render_as_batch=False,
                transactional_ddl=True,
                render_item=render_item,
                include_name=include_name,
            )
            with context.begin_transaction():
                context.run_migrations()
    finally:
        database.close()


run()
