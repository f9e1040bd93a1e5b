"""What a person said of a follow-up: done, or snoozed until when."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Create the table."""
    op.create_table(
        "follow_up",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("note_id", sa.Integer, nullable=False),
        sa.Column("step", sa.String(20), nullable=False),
        sa.Column("done_ms", sa.BigInteger),
        sa.Column("snoozed_until_ms", sa.BigInteger),
        sa.PrimaryKeyConstraint("id", name="pk_follow_up"),
        sa.ForeignKeyConstraint(["note_id"], ["note.id"], name="fk_follow_up_note_id"),
        sa.UniqueConstraint("note_id", "step", name="uq_follow_up_note_id_step"),
    )
