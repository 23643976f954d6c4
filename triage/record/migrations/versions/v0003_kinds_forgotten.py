"""A kind that was given to a particle may be forgotten again: one more action of corrections."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from triage.errors import UserError

revision = "0003"
down_revision = "0002"

ACTIONS = "action IN ('kind', 'reject', 'restore', 'forget')"
COLUMNS = "id, uuid, analysis_id, particle, action, kind, who, made_at"
EVENTS = ("update", "delete")


def upgrade() -> None:
    """Widen the rule for actions; the rows stay as they are."""
    if op.get_context().dialect.name == "sqlite":
        _made_anew()
        return
    # The first version's names came out doubled.
    op.drop_constraint(op.f("ck_corrections_ck_corrections_action"), "corrections", type_="check")
    op.create_check_constraint(op.f("ck_corrections_action"), "corrections", ACTIONS)


def _made_anew() -> None:
    """Copy the table: SQLite cannot change a rule of one that is there. Its triggers go with the old one."""
    op.create_table(
        "corrections_anew",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("uuid", sa.String(36), nullable=False),
        sa.Column("analysis_id", sa.Integer, nullable=False),
        sa.Column("particle", sa.Integer, nullable=False),
        sa.Column("action", sa.String(10), nullable=False),
        sa.Column("kind", sa.Text),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("made_at", sa.DateTime, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_corrections"),
        sa.UniqueConstraint("uuid", name="uq_corrections_uuid"),
        sa.ForeignKeyConstraint(["analysis_id"], ["analyses.id"], name="fk_corrections_analysis_id"),
        sa.CheckConstraint(ACTIONS, name=op.f("ck_corrections_action")),
        sa.CheckConstraint("(action = 'kind') = (kind IS NOT NULL)", name=op.f("ck_corrections_kind")),
    )
    op.execute(f"INSERT INTO corrections_anew ({COLUMNS}) SELECT {COLUMNS} FROM corrections ORDER BY id")
    op.drop_table("corrections")
    op.rename_table("corrections_anew", "corrections")
    op.create_index("ix_corrections_analysis_id", "corrections", ["analysis_id"])
    for event in EVENTS:
        op.execute(
            f"CREATE TRIGGER corrections_no_{event} BEFORE {event} ON corrections "
            "BEGIN SELECT RAISE(ABORT, 'corrections are only ever added'); END"
        )


def downgrade() -> None:
    """Refuse: kinds that were forgotten would be said again."""
    raise UserError(
        "A service record is never turned back to an older version: it would lose what the older one cannot "
        "hold. Use the program's newer version, or put back a backup made with the older one."
    )
