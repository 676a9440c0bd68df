"""Telling people

Revision: 0011
After: 0010

Who is told what, what became of it, and the scheduled copies of the house.
"""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:

    op.create_table(
        "recipient",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=True),
        sa.Column("stands_for", sa.String(), nullable=True),
        sa.Column("urgencies", sa.JSON(), nullable=False),
        sa.Column("subjects", sa.JSON(), nullable=False),
        sa.Column("quiet_from", sa.String(), nullable=True),
        sa.Column("quiet_until", sa.String(), nullable=True),
        sa.Column("after_minutes", sa.Integer(), nullable=False),
        sa.Column("repeat_minutes", sa.Integer(), nullable=True),
        sa.Column("most_an_hour", sa.Integer(), nullable=False),
        sa.Column("next_dispatch_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failure_told_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.String(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_recipient_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recipient")),
    )
    op.create_index(op.f("ix_recipient_site_id"), "recipient", ["site_id"], unique=False)
    op.create_table(
        "message",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("urgency", sa.String(), nullable=False),
        sa.Column("once", sa.Boolean(), nullable=False),
        sa.Column("ends", sa.Boolean(), nullable=False),
        sa.Column("only_recipient_id", sa.Integer(), nullable=True),
        sa.Column("but_not_recipient_id", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("next_look_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("acknowledged_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("acknowledged_by", sa.String(), nullable=True),
        sa.Column("acknowledgement", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["but_not_recipient_id"], ["recipient.id"], name=op.f("fk_message_but_not_recipient_id")
        ),
        sa.ForeignKeyConstraint(
            ["only_recipient_id"], ["recipient.id"], name=op.f("fk_message_only_recipient_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_message_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_message")),
    )
    op.create_index(op.f("ix_message_next_look_at"), "message", ["next_look_at"], unique=False)
    op.create_index(op.f("ix_message_site_id"), "message", ["site_id"], unique=False)
    op.create_table(
        "dispatch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("recipient_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["recipient_id"], ["recipient.id"], name=op.f("fk_dispatch_recipient_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dispatch")),
        sa.UniqueConstraint("key", name=op.f("uq_dispatch_key")),
    )
    op.create_index(op.f("ix_dispatch_due_at"), "dispatch", ["due_at"], unique=False)
    op.create_table(
        "notice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.Integer(), nullable=False),
        sa.Column("recipient_id", sa.Integer(), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("dispatch_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["dispatch_id"], ["dispatch.id"], name=op.f("fk_notice_dispatch_id")
        ),
        sa.ForeignKeyConstraint(["message_id"], ["message.id"], name=op.f("fk_notice_message_id")),
        sa.ForeignKeyConstraint(
            ["recipient_id"], ["recipient.id"], name=op.f("fk_notice_recipient_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
        sa.UniqueConstraint(
            "message_id",
            "recipient_id",
            "times",
            name=op.f("uq_notice_message_id_recipient_id_times"),
        ),
    )
    op.create_index(op.f("ix_notice_dispatch_id"), "notice", ["dispatch_id"], unique=False)
    op.create_index(op.f("ix_notice_due_at"), "notice", ["due_at"], unique=False)
    op.create_table(
        "backup",
        sa.Column("slot_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("name", sa.String(), nullable=True),
        sa.Column("bytes", sa.Integer(), nullable=True),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("verified_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("problem", sa.String(), nullable=True),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("slot_at", name=op.f("pk_backup")),
    )


def downgrade() -> None:
    op.drop_table("backup")
    op.drop_table("notice")
    op.drop_table("dispatch")
    op.drop_table("message")
    op.drop_table("recipient")
