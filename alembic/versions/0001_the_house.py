"""The house

Revision: 0001
After:

Every table, and the triggers that keep the books and the trail as they were
written. A migration that rebuilds one of these tables must make its triggers
again: call `protect` after it.
"""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

NEVER_CHANGED = (
    "movement",
    "transfer",
    "audit_entry",
    "deviation",
    "feed",
    "feed_item",
    "supplement_given",
)
FROZEN_OF_PARCEL = ("id", "lot_id", "parent_id", "place_id", "thaw_batch_id", "opened_at")


def protect() -> None:
    """Make the triggers that refuse to change or delete what has been written."""
    statements = _sqlite() if op.get_bind().dialect.name == "sqlite" else _postgresql()
    for statement in statements:
        op.execute(statement)


def _sqlite() -> Iterator[str]:
    for table in NEVER_CHANGED:
        for event in ("UPDATE", "DELETE"):
            yield (
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{table} is never changed'); END"
            )
    changed = " OR ".join(f"OLD.{name} IS NOT NEW.{name}" for name in FROZEN_OF_PARCEL)
    yield (
        "CREATE TRIGGER parcel_frozen BEFORE UPDATE ON parcel "
        f"WHEN {changed} BEGIN SELECT RAISE(ABORT, 'a parcel never moves'); END"
    )
    yield (
        "CREATE TRIGGER parcel_no_delete BEFORE DELETE ON parcel BEGIN "
        "SELECT RAISE(ABORT, 'a parcel is never deleted'); END"
    )


def _postgresql() -> Iterator[str]:
    yield (
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION '% is never changed', TG_TABLE_NAME USING ERRCODE = '23000'; END $$"
    )
    for table in NEVER_CHANGED:
        yield (
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
        )
    changed = " OR ".join(f"OLD.{name} IS DISTINCT FROM NEW.{name}" for name in FROZEN_OF_PARCEL)
    yield (
        f"CREATE TRIGGER parcel_frozen BEFORE UPDATE ON parcel FOR EACH ROW WHEN ({changed}) "
        "EXECUTE FUNCTION refuse_change()"
    )
    yield (
        "CREATE TRIGGER parcel_no_delete BEFORE DELETE ON parcel FOR EACH ROW "
        "EXECUTE FUNCTION refuse_change()"
    )
    for table in (*NEVER_CHANGED, "parcel"):
        yield (
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )


def upgrade() -> None:
    op.create_table(
        "app_user",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("password_hash", sa.String(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_app_user")),
        sa.UniqueConstraint("name", name=op.f("uq_app_user_name")),
    )
    op.create_table(
        "audit_head",
        sa.Column("chain", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("length", sa.Integer(), nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("chain", name=op.f("pk_audit_head")),
    )
    op.create_table(
        "code_counter",
        sa.Column("prefix", sa.String(), nullable=False),
        sa.Column("given", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("prefix", name=op.f("pk_code_counter")),
    )
    op.create_table(
        "job",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("fence", sa.Integer(), nullable=False),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_job")),
    )
    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("timezone", sa.String(), nullable=False),
        sa.Column("mass_unit", sa.String(), nullable=False),
        sa.Column("temperature_unit", sa.String(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("code", name=op.f("uq_site_code")),
    )
    op.create_table(
        "species",
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("scientific_name", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("code", name=op.f("pk_species")),
    )
    op.create_table(
        "supplement_product",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("form", sa.String(), nullable=False),
        sa.Column("divisible", sa.String(), nullable=False),
        sa.Column("contents", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_product")),
        sa.UniqueConstraint("code", name=op.f("uq_supplement_product_code")),
    )
    op.create_table(
        "supplier",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplier")),
        sa.UniqueConstraint("code", name=op.f("uq_supplier_code")),
    )
    op.create_table(
        "animal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("taxon", sa.String(), nullable=False),
        sa.Column("group_name", sa.String(), nullable=False),
        sa.Column("sex", sa.String(), nullable=False),
        sa.Column("born_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_animal_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_animal")),
        sa.UniqueConstraint("code", name=op.f("uq_animal_code")),
    )
    op.create_index(op.f("ix_animal_site_id"), "animal", ["site_id"], unique=False)
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.LargeBinary(), nullable=False),
        sa.Column("scopes", sa.String(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["user_id"], ["app_user.id"], name=op.f("fk_api_token_user_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_token")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_api_token_token_hash")),
    )
    op.create_index(op.f("ix_api_token_user_id"), "api_token", ["user_id"], unique=False)
    op.create_table(
        "audit_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("chain", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("on_behalf_of", sa.String(), nullable=True),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("before", sa.String(), nullable=True),
        sa.Column("after", sa.String(), nullable=True),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.Column("previous_hash", sa.String(), nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["chain"], ["audit_head.chain"], name=op.f("fk_audit_entry_chain")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_entry")),
        sa.UniqueConstraint("chain", "number", name=op.f("uq_audit_entry_chain_number")),
    )
    op.create_table(
        "delivery",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("arrived_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("vehicle_c", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_delivery_site_id")),
        sa.ForeignKeyConstraint(
            ["supplier_id"], ["supplier.id"], name=op.f("fk_delivery_supplier_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
    )
    op.create_index(op.f("ix_delivery_site_id"), "delivery", ["site_id"], unique=False)
    op.create_table(
        "deviation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("rule", sa.String(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("numbers", sa.JSON(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("policy_version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_deviation_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deviation")),
    )
    op.create_index(op.f("ix_deviation_subject"), "deviation", ["subject"], unique=False)
    op.create_table(
        "idempotency_key",
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("route", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("body_hash", sa.LargeBinary(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("answer", sa.LargeBinary(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["user_id"], ["app_user.id"], name=op.f("fk_idempotency_key_user_id")
        ),
        sa.PrimaryKeyConstraint("user_id", "route", "key", name=op.f("pk_idempotency_key")),
    )
    op.create_table(
        "place",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("parent_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["parent_id"], ["place.id"], name=op.f("fk_place_parent_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_place_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_place")),
        sa.UniqueConstraint("code", name=op.f("uq_place_code")),
    )
    op.create_index(op.f("ix_place_site_id"), "place", ["site_id"], unique=False)
    op.create_table(
        "policy_version",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_policy_version_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_policy_version")),
        sa.UniqueConstraint("site_id", "version", name=op.f("uq_policy_version_site_id_version")),
    )
    op.create_table(
        "product",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("species_code", sa.String(), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("form", sa.String(), nullable=False),
        sa.Column("size_grade", sa.String(), nullable=True),
        sa.Column("carton_g", sa.Integer(), nullable=False),
        sa.Column("gtin", sa.String(), nullable=True),
        sa.Column("shape", sa.JSON(), nullable=False),
        sa.CheckConstraint("carton_g > 0", name=op.f("ck_product_carton_more_than_nothing")),
        sa.ForeignKeyConstraint(
            ["species_code"], ["species.code"], name=op.f("fk_product_species_code")
        ),
        sa.ForeignKeyConstraint(
            ["supplier_id"], ["supplier.id"], name=op.f("fk_product_supplier_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_product")),
        sa.UniqueConstraint("code", name=op.f("uq_product_code")),
    )
    op.create_index(op.f("ix_product_species_code"), "product", ["species_code"], unique=False)
    op.create_index(op.f("ix_product_supplier_id"), "product", ["supplier_id"], unique=False)
    op.create_table(
        "user_site",
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_user_site_site_id")),
        sa.ForeignKeyConstraint(["user_id"], ["app_user.id"], name=op.f("fk_user_site_user_id")),
        sa.PrimaryKeyConstraint("user_id", "site_id", name=op.f("pk_user_site")),
    )
    op.create_table(
        "animal_weight",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint("grams > 0", name=op.f("ck_animal_weight_weight_more_than_nothing")),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_animal_weight_animal_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_animal_weight")),
    )
    op.create_index(
        op.f("ix_animal_weight_animal_id"), "animal_weight", ["animal_id"], unique=False
    )
    op.create_table(
        "diet",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("feeds_per_day", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["animal_id"], ["animal.id"], name=op.f("fk_diet_animal_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_diet")),
    )
    op.create_index(op.f("ix_diet_animal_id"), "diet", ["animal_id"], unique=False)
    op.create_table(
        "lot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("species_code", sa.String(), nullable=False),
        sa.Column("part", sa.String(), nullable=False),
        sa.Column("size_grade", sa.String(), nullable=True),
        sa.Column("form", sa.String(), nullable=False),
        sa.Column("supplier_lot", sa.String(), nullable=True),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("received_as", sa.String(), nullable=False),
        sa.Column("caught_from", sa.Date(), nullable=True),
        sa.Column("caught_to", sa.Date(), nullable=True),
        sa.Column("frozen_on", sa.Date(), nullable=True),
        sa.Column("age_from", sa.Date(), nullable=True),
        sa.Column("best_before", sa.Date(), nullable=True),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("arrived_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("cartons", sa.Integer(), nullable=True),
        sa.Column("rejected_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("rejected_by", sa.String(), nullable=True),
        sa.Column("rejected_because", sa.String(), nullable=True),
        sa.CheckConstraint("grams > 0", name=op.f("ck_lot_lot_more_than_nothing")),
        sa.ForeignKeyConstraint(["delivery_id"], ["delivery.id"], name=op.f("fk_lot_delivery_id")),
        sa.ForeignKeyConstraint(["product_id"], ["product.id"], name=op.f("fk_lot_product_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_lot_site_id")),
        sa.ForeignKeyConstraint(
            ["species_code"], ["species.code"], name=op.f("fk_lot_species_code")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
        sa.UniqueConstraint("code", name=op.f("uq_lot_code")),
    )
    op.create_index(op.f("ix_lot_delivery_id"), "lot", ["delivery_id"], unique=False)
    op.create_index(op.f("ix_lot_site_id"), "lot", ["site_id"], unique=False)
    op.create_index(
        "ix_lot_species_code_caught_from", "lot", ["species_code", "age_from", "code"], unique=False
    )
    op.create_table(
        "probe",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("watched_until_s", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_probe_place_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe")),
        sa.UniqueConstraint("code", name=op.f("uq_probe_code")),
    )
    op.create_index(op.f("ix_probe_place_id"), "probe", ["place_id"], unique=False)
    op.create_table(
        "requirement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("scope", sa.String(), nullable=False),
        sa.Column("group_name", sa.String(), nullable=True),
        sa.Column("animal_id", sa.Integer(), nullable=True),
        sa.Column("nutrient", sa.String(), nullable=False),
        sa.Column("amount", sa.Float(), nullable=False),
        sa.Column("basis", sa.String(), nullable=False),
        sa.Column("mode", sa.String(), nullable=False),
        sa.Column("per", sa.String(), nullable=False),
        sa.Column("cap_per_day", sa.Float(), nullable=True),
        sa.Column("limit_per_day", sa.Float(), nullable=True),
        sa.Column("limit_on", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint("amount >= 0", name=op.f("ck_requirement_amount_not_negative")),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_requirement_animal_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_requirement_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_requirement")),
    )
    op.create_index(
        "ix_requirement_site_id_nutrient", "requirement", ["site_id", "nutrient"], unique=False
    )
    op.create_table(
        "supplement_plan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("basis", sa.String(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("signed_by", sa.String(), nullable=True),
        sa.Column("signed_as", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_supplement_plan_animal_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_supplement_plan_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_plan")),
    )
    op.create_index(
        op.f("ix_supplement_plan_animal_id"), "supplement_plan", ["animal_id"], unique=False
    )
    op.create_table(
        "thaw_request",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=True),
        sa.Column("first_feed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_feed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("cancelled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("policy_version", sa.Integer(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_thaw_request_place_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_thaw_request_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_thaw_request")),
    )
    op.create_index(op.f("ix_thaw_request_site_id"), "thaw_request", ["site_id"], unique=False)
    op.create_table(
        "assay",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("sampled_on", sa.Date(), nullable=False),
        sa.Column("laboratory", sa.String(), nullable=False),
        sa.Column("portion", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_assay_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assay")),
    )
    op.create_index(op.f("ix_assay_lot_id"), "assay", ["lot_id"], unique=False)
    op.create_table(
        "diet_item",
        sa.Column("diet_id", sa.Integer(), nullable=False),
        sa.Column("species_code", sa.String(), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.CheckConstraint("grams > 0", name=op.f("ck_diet_item_diet_item_more_than_nothing")),
        sa.ForeignKeyConstraint(["diet_id"], ["diet.id"], name=op.f("fk_diet_item_diet_id")),
        sa.ForeignKeyConstraint(
            ["species_code"], ["species.code"], name=op.f("fk_diet_item_species_code")
        ),
        sa.PrimaryKeyConstraint("diet_id", "species_code", name=op.f("pk_diet_item")),
    )
    op.create_table(
        "excursion",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("limit_c", sa.Float(), nullable=True),
        sa.Column("peak_c", sa.Float(), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_excursion_place_id")),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_excursion_probe_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_excursion")),
    )
    op.create_index(op.f("ix_excursion_place_id"), "excursion", ["place_id"], unique=False)
    op.create_index(op.f("ix_excursion_probe_id"), "excursion", ["probe_id"], unique=False)
    op.create_table(
        "hold",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("placed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("placed_by", sa.String(), nullable=False),
        sa.Column("released_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("released_by", sa.String(), nullable=True),
        sa.Column("release_reason", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_hold_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hold")),
    )
    op.create_index(op.f("ix_hold_lot_id"), "hold", ["lot_id"], unique=False)
    op.create_table(
        "probe_hour",
        sa.Column("probe_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("hour_s", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.Column("covered_s", sa.Float(), nullable=False),
        sa.Column("mean_c", sa.Float(), nullable=False),
        sa.Column("m2", sa.Float(), nullable=False),
        sa.Column("min_c", sa.Float(), nullable=False),
        sa.Column("max_c", sa.Float(), nullable=False),
        sa.Column("first_at_s", sa.BigInteger(), nullable=False),
        sa.Column("first_c", sa.Float(), nullable=False),
        sa.Column("last_at_s", sa.BigInteger(), nullable=False),
        sa.Column("last_c", sa.Float(), nullable=False),
        sa.Column("above_s", sa.LargeBinary(), nullable=False),
        sa.Column("integrals", sa.LargeBinary(), nullable=False),
        sa.Column("kinetics", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_probe_hour_probe_id")),
        sa.PrimaryKeyConstraint("probe_id", "hour_s", name=op.f("pk_probe_hour")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "reading",
        sa.Column("probe_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_s", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("centi_c", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_reading_probe_id")),
        sa.PrimaryKeyConstraint("probe_id", "at_s", name=op.f("pk_reading")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "receipt",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("cores_c", sa.JSON(), nullable=False),
        sa.Column("findings", sa.JSON(), nullable=False),
        sa.Column("policy_version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_receipt_lot_id")),
        sa.PrimaryKeyConstraint("lot_id", name=op.f("pk_receipt")),
    )
    op.create_table(
        "stock_count",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("counted_g", sa.Integer(), nullable=False),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("counted_g >= 0", name=op.f("ck_stock_count_counted_not_negative")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_stock_count_lot_id")),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_stock_count_place_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_count")),
    )
    op.create_index(
        "ix_stock_count_lot_id_place_id",
        "stock_count",
        ["lot_id", "place_id", "occurred_at"],
        unique=False,
    )
    op.create_table(
        "supplement_given",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("count", sa.Float(), nullable=False),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint("count > 0", name=op.f("ck_supplement_given_count_more_than_nothing")),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_supplement_given_animal_id")
        ),
        sa.ForeignKeyConstraint(
            ["plan_id"], ["supplement_plan.id"], name=op.f("fk_supplement_given_plan_id")
        ),
        sa.ForeignKeyConstraint(
            ["product_id"], ["supplement_product.id"], name=op.f("fk_supplement_given_product_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_given")),
    )
    op.create_index(
        "ix_supplement_given_animal_id_day", "supplement_given", ["animal_id", "day"], unique=False
    )
    op.create_table(
        "thaw_batch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("left_freezer_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_thaw_batch_lot_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_thaw_batch_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_thaw_batch")),
        sa.UniqueConstraint("code", name=op.f("uq_thaw_batch_code")),
    )
    op.create_index(op.f("ix_thaw_batch_lot_id"), "thaw_batch", ["lot_id"], unique=False)
    op.create_index(op.f("ix_thaw_batch_site_id"), "thaw_batch", ["site_id"], unique=False)
    op.create_table(
        "assay_value",
        sa.Column("assay_id", sa.Integer(), nullable=False),
        sa.Column("nutrient", sa.String(), nullable=False),
        sa.Column("reported", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("basis", sa.String(), nullable=False),
        sa.Column("as_fed", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["assay_id"], ["assay.id"], name=op.f("fk_assay_value_assay_id")),
        sa.PrimaryKeyConstraint("assay_id", "nutrient", name=op.f("pk_assay_value")),
    )
    op.create_table(
        "movement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("reverses_id", sa.Integer(), nullable=True),
        sa.Column("count_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["count_id"], ["stock_count.id"], name=op.f("fk_movement_count_id")
        ),
        sa.ForeignKeyConstraint(
            ["reverses_id"], ["movement.id"], name=op.f("fk_movement_reverses_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_movement_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_movement")),
        sa.UniqueConstraint("reverses_id", name=op.f("uq_movement_reverses_id")),
    )
    op.create_index(op.f("ix_movement_count_id"), "movement", ["count_id"], unique=False)
    op.create_table(
        "parcel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("parent_id", sa.Integer(), nullable=True),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("thaw_batch_id", sa.Integer(), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("cartons", sa.Integer(), nullable=True),
        sa.CheckConstraint("cartons >= 0", name=op.f("ck_parcel_parcel_cartons_not_negative")),
        sa.CheckConstraint("grams >= 0", name=op.f("ck_parcel_parcel_grams_not_negative")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_parcel_lot_id")),
        sa.ForeignKeyConstraint(["parent_id"], ["parcel.id"], name=op.f("fk_parcel_parent_id")),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_parcel_place_id")),
        sa.ForeignKeyConstraint(
            ["thaw_batch_id"], ["thaw_batch.id"], name=op.f("fk_parcel_thaw_batch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parcel")),
    )
    op.create_index("ix_parcel_lot_id_place_id", "parcel", ["lot_id", "place_id"], unique=False)
    op.create_index(op.f("ix_parcel_place_id"), "parcel", ["place_id"], unique=False)
    op.create_index(op.f("ix_parcel_thaw_batch_id"), "parcel", ["thaw_batch_id"], unique=False)
    op.create_table(
        "thawed_mark",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("thaw_batch_id", sa.Integer(), nullable=False),
        sa.Column("thawed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["thaw_batch_id"], ["thaw_batch.id"], name=op.f("fk_thawed_mark_thaw_batch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_thawed_mark")),
    )
    op.create_index(
        op.f("ix_thawed_mark_thaw_batch_id"), "thawed_mark", ["thaw_batch_id"], unique=False
    )
    op.create_table(
        "feed",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("movement_id", sa.Integer(), nullable=False),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("appetite", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["animal_id"], ["animal.id"], name=op.f("fk_feed_animal_id")),
        sa.ForeignKeyConstraint(["movement_id"], ["movement.id"], name=op.f("fk_feed_movement_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed")),
        sa.UniqueConstraint("movement_id", name=op.f("uq_feed_movement_id")),
    )
    op.create_index(
        "ix_feed_animal_id_occurred_at", "feed", ["animal_id", "occurred_at"], unique=False
    )
    op.create_table(
        "reservation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("parcel_id", sa.Integer(), nullable=False),
        sa.Column("thaw_request_id", sa.Integer(), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("released_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("grams >= 0", name=op.f("ck_reservation_reservation_not_negative")),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcel.id"], name=op.f("fk_reservation_parcel_id")
        ),
        sa.ForeignKeyConstraint(
            ["thaw_request_id"], ["thaw_request.id"], name=op.f("fk_reservation_thaw_request_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reservation")),
    )
    op.create_index(op.f("ix_reservation_parcel_id"), "reservation", ["parcel_id"], unique=False)
    op.create_index(
        op.f("ix_reservation_thaw_request_id"), "reservation", ["thaw_request_id"], unique=False
    )
    op.create_table(
        "transfer",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("movement_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("from_parcel_id", sa.Integer(), nullable=True),
        sa.Column("to_parcel_id", sa.Integer(), nullable=True),
        sa.Column("from_account", sa.String(), nullable=True),
        sa.Column("to_account", sa.String(), nullable=True),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("cartons", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "(from_parcel_id IS NULL) <> (from_account IS NULL)",
            name=op.f("ck_transfer_one_source"),
        ),
        sa.CheckConstraint(
            "(to_parcel_id IS NULL) <> (to_account IS NULL)", name=op.f("ck_transfer_one_target")
        ),
        sa.CheckConstraint("grams > 0", name=op.f("ck_transfer_transfer_more_than_nothing")),
        sa.ForeignKeyConstraint(
            ["from_parcel_id"], ["parcel.id"], name=op.f("fk_transfer_from_parcel_id")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_transfer_lot_id")),
        sa.ForeignKeyConstraint(
            ["movement_id"], ["movement.id"], name=op.f("fk_transfer_movement_id")
        ),
        sa.ForeignKeyConstraint(
            ["to_parcel_id"], ["parcel.id"], name=op.f("fk_transfer_to_parcel_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_transfer")),
    )
    op.create_index(
        op.f("ix_transfer_from_parcel_id"), "transfer", ["from_parcel_id"], unique=False
    )
    op.create_index(op.f("ix_transfer_lot_id"), "transfer", ["lot_id"], unique=False)
    op.create_index(op.f("ix_transfer_movement_id"), "transfer", ["movement_id"], unique=False)
    op.create_index(op.f("ix_transfer_to_parcel_id"), "transfer", ["to_parcel_id"], unique=False)
    op.create_table(
        "feed_item",
        sa.Column("feed_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("thaw_batch_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("offered_g", sa.Integer(), nullable=False),
        sa.Column("eaten_g", sa.Integer(), nullable=False),
        sa.Column("left_g", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "offered_g = eaten_g + left_g", name=op.f("ck_feed_item_offered_is_eaten_and_left")
        ),
        sa.CheckConstraint(
            "offered_g > 0 AND eaten_g >= 0 AND left_g >= 0", name=op.f("ck_feed_item_not_negative")
        ),
        sa.ForeignKeyConstraint(["feed_id"], ["feed.id"], name=op.f("fk_feed_item_feed_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_feed_item_lot_id")),
        sa.ForeignKeyConstraint(
            ["thaw_batch_id"], ["thaw_batch.id"], name=op.f("fk_feed_item_thaw_batch_id")
        ),
        sa.PrimaryKeyConstraint("feed_id", "number", name=op.f("pk_feed_item")),
    )
    op.create_index(op.f("ix_feed_item_lot_id"), "feed_item", ["lot_id"], unique=False)
    protect()


def downgrade() -> None:
    op.drop_index(op.f("ix_feed_item_lot_id"), table_name="feed_item")
    op.drop_table("feed_item")
    op.drop_index(op.f("ix_transfer_to_parcel_id"), table_name="transfer")
    op.drop_index(op.f("ix_transfer_movement_id"), table_name="transfer")
    op.drop_index(op.f("ix_transfer_lot_id"), table_name="transfer")
    op.drop_index(op.f("ix_transfer_from_parcel_id"), table_name="transfer")
    op.drop_table("transfer")
    op.drop_index(op.f("ix_reservation_thaw_request_id"), table_name="reservation")
    op.drop_index(op.f("ix_reservation_parcel_id"), table_name="reservation")
    op.drop_table("reservation")
    op.drop_index("ix_feed_animal_id_occurred_at", table_name="feed")
    op.drop_table("feed")
    op.drop_index(op.f("ix_thawed_mark_thaw_batch_id"), table_name="thawed_mark")
    op.drop_table("thawed_mark")
    op.drop_index(op.f("ix_parcel_thaw_batch_id"), table_name="parcel")
    op.drop_index(op.f("ix_parcel_place_id"), table_name="parcel")
    op.drop_index("ix_parcel_lot_id_place_id", table_name="parcel")
    op.drop_table("parcel")
    op.drop_index(op.f("ix_movement_count_id"), table_name="movement")
    op.drop_table("movement")
    op.drop_table("assay_value")
    op.drop_index(op.f("ix_thaw_batch_site_id"), table_name="thaw_batch")
    op.drop_index(op.f("ix_thaw_batch_lot_id"), table_name="thaw_batch")
    op.drop_table("thaw_batch")
    op.drop_index("ix_supplement_given_animal_id_day", table_name="supplement_given")
    op.drop_table("supplement_given")
    op.drop_index("ix_stock_count_lot_id_place_id", table_name="stock_count")
    op.drop_table("stock_count")
    op.drop_table("receipt")
    op.drop_table("reading")
    op.drop_table("probe_hour")
    op.drop_index(op.f("ix_hold_lot_id"), table_name="hold")
    op.drop_table("hold")
    op.drop_index(op.f("ix_excursion_probe_id"), table_name="excursion")
    op.drop_index(op.f("ix_excursion_place_id"), table_name="excursion")
    op.drop_table("excursion")
    op.drop_table("diet_item")
    op.drop_index(op.f("ix_assay_lot_id"), table_name="assay")
    op.drop_table("assay")
    op.drop_index(op.f("ix_thaw_request_site_id"), table_name="thaw_request")
    op.drop_table("thaw_request")
    op.drop_index(op.f("ix_supplement_plan_animal_id"), table_name="supplement_plan")
    op.drop_table("supplement_plan")
    op.drop_index("ix_requirement_site_id_nutrient", table_name="requirement")
    op.drop_table("requirement")
    op.drop_index(op.f("ix_probe_place_id"), table_name="probe")
    op.drop_table("probe")
    op.drop_index("ix_lot_species_code_caught_from", table_name="lot")
    op.drop_index(op.f("ix_lot_site_id"), table_name="lot")
    op.drop_index(op.f("ix_lot_delivery_id"), table_name="lot")
    op.drop_table("lot")
    op.drop_index(op.f("ix_diet_animal_id"), table_name="diet")
    op.drop_table("diet")
    op.drop_index(op.f("ix_animal_weight_animal_id"), table_name="animal_weight")
    op.drop_table("animal_weight")
    op.drop_table("user_site")
    op.drop_index(op.f("ix_product_supplier_id"), table_name="product")
    op.drop_index(op.f("ix_product_species_code"), table_name="product")
    op.drop_table("product")
    op.drop_table("policy_version")
    op.drop_index(op.f("ix_place_site_id"), table_name="place")
    op.drop_table("place")
    op.drop_table("idempotency_key")
    op.drop_index(op.f("ix_deviation_subject"), table_name="deviation")
    op.drop_table("deviation")
    op.drop_index(op.f("ix_delivery_site_id"), table_name="delivery")
    op.drop_table("delivery")
    op.drop_table("audit_entry")
    op.drop_index(op.f("ix_api_token_user_id"), table_name="api_token")
    op.drop_table("api_token")
    op.drop_index(op.f("ix_animal_site_id"), table_name="animal")
    op.drop_table("animal")
    op.drop_table("supplier")
    op.drop_table("supplement_product")
    op.drop_table("species")
    op.drop_table("site")
    op.drop_table("job")
    op.drop_table("code_counter")
    op.drop_table("audit_head")
    op.drop_table("app_user")
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION refuse_change()")
