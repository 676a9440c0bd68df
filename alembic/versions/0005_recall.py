"""Recall by supplier lot code

Revision: 0005
After: 0004

Lots carry what all readings of their supplier's code have in common. The rule is
written out here once more as it was when this step was made: if it ever changes, a
new step fills the column anew.
"""

import unicodedata

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_ONES = str.maketrans("IL", "11")


def key_of(written: str) -> str | None:
    """What all readings of a supplier's lot code have in common."""
    upper = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", written).upper())
    signs = (str(unicodedata.decimal(c)) if c.isdecimal() else c for c in upper)
    letters = "".join(c for c in signs if c.isalnum()).translate(_ONES)
    return letters.replace("O", "").replace("0", "") or ("0" if letters else None)


def upgrade() -> None:
    # A plain ADD COLUMN: the table is not rebuilt.
    op.add_column("lot", sa.Column("supplier_lot_key", sa.String(), nullable=True))
    lot = sa.table(
        "lot",
        sa.column("id", sa.Integer()),
        sa.column("supplier_lot", sa.String()),
        sa.column("supplier_lot_key", sa.String()),
    )
    connection = op.get_bind()
    named = sa.select(lot.c.id, lot.c.supplier_lot).where(lot.c.supplier_lot.is_not(None))
    keys = [{"of": id_, "key": key_of(code)} for id_, code in connection.execute(named).all()]
    if keys:
        fill = lot.update().where(lot.c.id == sa.bindparam("of"))
        connection.execute(fill.values(supplier_lot_key=sa.bindparam("key")), keys)
    op.create_index("ix_lot_supplier_lot_key", "lot", ["supplier_lot_key"], unique=False)


def downgrade() -> None:
    op.drop_index("ix_lot_supplier_lot_key", table_name="lot")
    op.drop_column("lot", "supplier_lot_key")
