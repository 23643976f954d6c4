"""Areas of a photo that a technician leaves out."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from triage.errors import UserError

revision = "0002"
down_revision = "0001"

EVENTS = ("update", "delete")


def upgrade() -> None:
    """Make the table, and the triggers that keep its rows as they are."""
    op.create_table(
        "areas",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("uuid", sa.String(36), nullable=False),
        sa.Column("analysis_id", sa.Integer, nullable=False),
        sa.Column("area", sa.Integer, nullable=False),
        sa.Column("action", sa.String(10), nullable=False),
        sa.Column("photo", sa.Integer),
        *(sa.Column(name, sa.Double) for name in ("x_px", "y_px", "width_px", "height_px")),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("made_at", sa.DateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_areas"),
        sa.UniqueConstraint("uuid", name="uq_areas_uuid"),
        sa.ForeignKeyConstraint(["analysis_id"], ["analyses.id"], name="fk_areas_analysis_id"),
        sa.CheckConstraint("action IN ('leave_out', 'restore')", name="ck_areas_action"),
        sa.CheckConstraint("(action = 'leave_out') = (photo IS NOT NULL)", name="ck_areas_place"),
    )
    op.create_index("ix_areas_analysis_id", "areas", ["analysis_id"])
    dialect = op.get_context().dialect.name
    for event in EVENTS:
        head = f"CREATE TRIGGER areas_no_{event} BEFORE {event} ON areas "
        if dialect == "postgresql":
            op.execute(f"{head}FOR EACH ROW EXECUTE FUNCTION refuse_change()")
        elif dialect == "sqlite":
            op.execute(f"{head}BEGIN SELECT RAISE(ABORT, 'areas are only ever added'); END")


def downgrade() -> None:
    """Refuse: areas that were left out would be counted again without a word."""
    raise UserError(
        "A service record is never turned back to an older version: it would lose what the older one cannot "
        "hold. Use the program's newer version, or put back a backup made with the older one."
    )
