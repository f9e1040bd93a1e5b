"""The first schema: shelves, pots, dated set-ups, pot types, sensors, dated placements, notes and their history."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create the tables."""
    state = op.create_table(
        "state",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("revision", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_state"),
    )
    op.bulk_insert(state, [{"id": 1, "revision": 1}])
    op.create_table(
        "history",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("subject", sa.String(20), nullable=False),
        sa.Column("subject_id", sa.Integer, nullable=False),
        sa.Column("written_ms", sa.BigInteger, nullable=False),
        sa.Column("body", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_history"),
    )
    op.create_index("ix_history_subject_subject_id", "history", ["subject", "subject_id"])
    for name in ("shelf", "pot_type", "pot"):
        op.create_table(
            name,
            sa.Column("id", sa.Integer, nullable=False),
            sa.Column("label", sa.String(80), nullable=False),
            sa.Column("label_key", sa.String(80), nullable=False),
            *([sa.Column("gone_ms", sa.BigInteger)] if name == "pot" else []),
            sa.Column("body", sa.JSON, nullable=False),
            sa.PrimaryKeyConstraint("id", name=f"pk_{name}"),
            sa.UniqueConstraint("label_key", name=f"uq_{name}_label_key"),
        )
    op.create_table(
        "note",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("pot_id", sa.Integer),
        sa.Column("time_ms", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("dry_layer_low_mm", sa.Double),
        sa.Column("dry_layer_high_mm", sa.Double),
        sa.Column("how", sa.String(20)),
        sa.Column("tips_growing", sa.Integer),
        sa.Column("tips_stalled", sa.Integer),
        sa.Column("tips_dried", sa.Integer),
        sa.Column("tips_rotted", sa.Integer),
        sa.Column("tips_new", sa.Integer),
        sa.Column("level_mm", sa.Double),
        sa.Column("mass_g", sa.Double),
        sa.Column("amount_ml", sa.Double),
        sa.Column("why", sa.Text),
        sa.Column("text", sa.Text),
        sa.Column("detail", sa.JSON),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Boolean, nullable=False),
        sa.Column("written_ms", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_note"),
        sa.ForeignKeyConstraint(["pot_id"], ["pot.id"], name="fk_note_pot_id"),
    )
    op.create_index("ix_note_pot_id_time_ms", "note", ["pot_id", "time_ms"])
    op.create_index("ix_note_time_ms", "note", ["time_ms"])
    op.create_table(
        "setup",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("pot_id", sa.Integer, nullable=False),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("to_ms", sa.BigInteger),
        sa.Column("body", sa.JSON, nullable=False),
        sa.Column("change", sa.JSON),
        sa.Column("note_id", sa.Integer),
        sa.PrimaryKeyConstraint("id", name="pk_setup"),
        sa.ForeignKeyConstraint(["pot_id"], ["pot.id"], name="fk_setup_pot_id"),
        sa.ForeignKeyConstraint(["note_id"], ["note.id"], name="fk_setup_note_id"),
        sa.UniqueConstraint("pot_id", "from_ms", name="uq_setup_pot_id_from_ms"),
        sa.CheckConstraint("to_ms IS NULL OR to_ms > from_ms", name="setup_ends_after_it_begins"),
    )
    op.create_index("ix_setup_note_id", "setup", ["note_id"])
    op.create_table(
        "sensor",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("source", sa.String(1001), nullable=False),
        sa.Column("body", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sensor"),
        sa.UniqueConstraint("source", name="uq_sensor_source"),
    )
    op.create_table(
        "placement",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("sensor_id", sa.Integer, nullable=False),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("to_ms", sa.BigInteger),
        sa.Column("shelf_id", sa.Integer, nullable=False),
        sa.Column("pot_id", sa.Integer),
        sa.PrimaryKeyConstraint("id", name="pk_placement"),
        sa.ForeignKeyConstraint(["sensor_id"], ["sensor.id"], name="fk_placement_sensor_id"),
        sa.ForeignKeyConstraint(["shelf_id"], ["shelf.id"], name="fk_placement_shelf_id"),
        sa.ForeignKeyConstraint(["pot_id"], ["pot.id"], name="fk_placement_pot_id"),
        sa.UniqueConstraint("sensor_id", "from_ms", name="uq_placement_sensor_id_from_ms"),
        sa.CheckConstraint("to_ms IS NULL OR to_ms > from_ms", name="placement_ends_after_it_begins"),
    )
