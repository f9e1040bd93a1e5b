"""The tables of the logbook, for SQLite and PostgreSQL alike.

Owns the schema as it is today; how a database gets here from an earlier day is in `migrations/`, and a test
holds the two together. What is asked for by column has a column; descriptions that are read whole are JSON.
Times are milliseconds since 1970 in UTC.
"""

import sqlalchemy as sa

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# One row. Every write raises it first, so writers take turns on PostgreSQL as they do on SQLite.
state = sa.Table(
    "state",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("revision", sa.BigInteger, nullable=False),
)

# What a row was before it was changed or taken away: nothing is lost, every version stays readable.
history = sa.Table(
    "history",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("subject", sa.String(20), nullable=False),
    sa.Column("subject_id", sa.Integer, nullable=False),
    sa.Column("written_ms", sa.BigInteger, nullable=False),
    sa.Column("body", sa.JSON, nullable=False),
    sa.Index(None, "subject", "subject_id"),
)

shelf = sa.Table(
    "shelf",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("label", sa.String(80), nullable=False),
    sa.Column("label_key", sa.String(240), nullable=False, unique=True),  # without capitals some letters are three
    sa.Column("body", sa.JSON, nullable=False),
)

pot_type = sa.Table(
    "pot_type",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("label", sa.String(80), nullable=False),
    sa.Column("label_key", sa.String(240), nullable=False, unique=True),  # without capitals some letters are three
    sa.Column("body", sa.JSON, nullable=False),
)

pot = sa.Table(
    "pot",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("label", sa.String(80), nullable=False),
    sa.Column("label_key", sa.String(240), nullable=False, unique=True),  # without capitals some letters are three
    sa.Column("gone_ms", sa.BigInteger),
    sa.Column("body", sa.JSON, nullable=False),
)

note = sa.Table(
    "note",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("pot_id", sa.ForeignKey("pot.id")),
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
    sa.Column("detail", sa.JSON(none_as_null=True)),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("withdrawn", sa.Boolean, nullable=False),
    sa.Column("written_ms", sa.BigInteger, nullable=False),
    sa.Index(None, "pot_id", "time_ms"),
    sa.Index(None, "time_ms"),
)

# A row in force from `from_ms` until `to_ms` (open: NULL). `change` holds the keys that a note or a person changed;
# `body` is then the earlier set-up with that change, and is made again when something earlier changes.
setup = sa.Table(
    "setup",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("pot_id", sa.ForeignKey("pot.id"), nullable=False),
    sa.Column("from_ms", sa.BigInteger, nullable=False),
    sa.Column("to_ms", sa.BigInteger),
    sa.Column("body", sa.JSON, nullable=False),
    sa.Column("change", sa.JSON(none_as_null=True)),
    sa.Column("note_id", sa.ForeignKey("note.id"), index=True),
    sa.UniqueConstraint("pot_id", "from_ms"),
    sa.CheckConstraint("to_ms IS NULL OR to_ms > from_ms", name="setup_ends_after_it_begins"),
)

# What a person said of a follow-up that a note brings; without a row it is kept.
follow_up = sa.Table(
    "follow_up",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("note_id", sa.ForeignKey("note.id"), nullable=False),
    sa.Column("step", sa.String(20), nullable=False),
    sa.Column("done_ms", sa.BigInteger),
    sa.Column("snoozed_until_ms", sa.BigInteger),
    sa.UniqueConstraint("note_id", "step"),
)

sensor = sa.Table(
    "sensor",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("source", sa.String(1001), nullable=False, unique=True),
    sa.Column("body", sa.JSON, nullable=False),
)

placement = sa.Table(
    "placement",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("sensor_id", sa.ForeignKey("sensor.id"), nullable=False),
    sa.Column("from_ms", sa.BigInteger, nullable=False),
    sa.Column("to_ms", sa.BigInteger),
    sa.Column("shelf_id", sa.ForeignKey("shelf.id"), nullable=False),
    sa.Column("pot_id", sa.ForeignKey("pot.id")),
    sa.UniqueConstraint("sensor_id", "from_ms"),
    sa.CheckConstraint("to_ms IS NULL OR to_ms > from_ms", name="placement_ends_after_it_begins"),
)
