"""Room for labels whose letters become several without capitals (up to three each)."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Widen the column."""
    for name in ("shelf", "pot_type", "pot"):
        with op.batch_alter_table(name) as table:
            table.alter_column("label_key", type_=sa.String(240), existing_type=sa.String(80), existing_nullable=False)
