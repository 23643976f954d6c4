"""The first version of the service record."""

from __future__ import annotations

from datetime import datetime

import sqlalchemy as sa
from alembic import op

from triage.errors import UserError

revision = "0001"
down_revision = None

FINAL = ("analyses", "corrections")
EVENTS = ("update", "delete")


def upgrade() -> None:
    """Make every table, and the triggers that keep analyses and corrections as they are."""
    _machines()
    _visits()
    _samples()
    _analyses()
    _comparisons()
    _keep_as_they_are()


def downgrade() -> None:
    """Refuse: there is no older version."""
    raise UserError(
        "A service record is never turned back to an older version: it would lose what the older one cannot "
        "hold. Use the program's newer version, or put back a backup made with the older one."
    )


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text) for name in names]


def _numbers(*names: str) -> list[sa.Column[float]]:
    return [sa.Column(name, sa.Double) for name in names]


def _number() -> sa.Column[int]:
    return sa.Column("id", sa.Integer, nullable=False)


def _uuid() -> sa.Column[str]:
    return sa.Column("uuid", sa.String(36), nullable=False)


def _moment(name: str) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime, nullable=False)


def _machines() -> None:
    op.create_table(
        "machines",
        _number(),
        _uuid(),
        sa.Column("unit", sa.Text, nullable=False),
        sa.Column("unit_key", sa.String(400), nullable=False),
        *_texts("serial", "type", "engine"),
        sa.Column("cylinders", sa.Integer),
        *_numbers("power_kw", "head_mm"),
        *_texts("feed", "fuel", "tank", "hose", "filter"),
        *_numbers("installed_um"),
        *_texts("element", "notes"),
        _moment("added_at"),
        sa.PrimaryKeyConstraint("id", name="pk_machines"),
        sa.UniqueConstraint("uuid", name="uq_machines_uuid"),
        sa.UniqueConstraint("unit_key", name="uq_machines_unit_key"),
    )


def _visits() -> None:
    op.create_table(
        "visits",
        _number(),
        _uuid(),
        sa.Column("machine_id", sa.Integer, nullable=False),
        sa.Column("visited_on", sa.Date, nullable=False),
        *_texts("work_order", "complaint"),
        *_numbers("hours", "months", "litres", "fuel_age_months"),
        *_texts("noticed", "parts", "technician", "next_due", "notes"),
        _moment("added_at"),
        sa.PrimaryKeyConstraint("id", name="pk_visits"),
        sa.UniqueConstraint("uuid", name="uq_visits_uuid"),
        sa.UniqueConstraint("id", "machine_id", name="uq_visits_id"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_visits_machine_id"),
    )
    op.create_index("ix_visits_machine_id", "visits", ["machine_id"])


def _samples() -> None:
    op.create_table(
        "samples",
        _number(),
        _uuid(),
        sa.Column("machine_id", sa.Integer),
        sa.Column("visit_id", sa.Integer),
        _moment("saved_at"),
        sa.PrimaryKeyConstraint("id", name="pk_samples"),
        sa.UniqueConstraint("uuid", name="uq_samples_uuid"),
        sa.ForeignKeyConstraint(["machine_id"], ["machines.id"], name="fk_samples_machine_id"),
        sa.ForeignKeyConstraint(
            ["visit_id", "machine_id"], ["visits.id", "visits.machine_id"], name="fk_samples_visit_id"
        ),
        sa.CheckConstraint("visit_id IS NULL OR machine_id IS NOT NULL", name="ck_samples_machine_of_visit"),
    )
    op.create_index("ix_samples_machine_id", "samples", ["machine_id"])
    op.create_index("ix_samples_visit_id", "samples", ["visit_id"])
    op.create_table(
        "photos",
        _number(),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("stored_sha256", sa.String(64), nullable=False),
        sa.Column("bytes", sa.Integer, nullable=False),
        _moment("added_at"),
        sa.PrimaryKeyConstraint("id", name="pk_photos"),
        sa.UniqueConstraint("sha256", name="uq_photos_sha256"),
    )
    op.create_table(
        "sample_photos",
        sa.Column("sample_id", sa.Integer, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("photo_id", sa.Integer, nullable=False),
        sa.Column("role", sa.String(10), nullable=False),
        sa.Column("file", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("sample_id", "position", name="pk_sample_photos"),
        sa.ForeignKeyConstraint(["sample_id"], ["samples.id"], name="fk_sample_photos_sample_id"),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name="fk_sample_photos_photo_id"),
        sa.CheckConstraint("role IN ('debris', 'blank')", name="ck_sample_photos_role"),
    )
    op.create_index("ix_sample_photos_photo_id", "sample_photos", ["photo_id"])


def _analyses() -> None:
    op.create_table(
        "analyses",
        _number(),
        _uuid(),
        sa.Column("sample_id", sa.Integer, nullable=False),
        sa.Column("program_version", sa.Text, nullable=False),
        sa.Column("method_version", sa.Text, nullable=False),
        sa.Column("analysed_on", sa.Date, nullable=False),
        _moment("saved_at"),
        sa.Column("headline", sa.Text, nullable=False),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("from_um", sa.Double, nullable=False),
        *_numbers("median_um"),
        sa.Column("result", sa.Text, nullable=False),
        sa.Column("details", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_analyses"),
        sa.UniqueConstraint("uuid", name="uq_analyses_uuid"),
        sa.ForeignKeyConstraint(["sample_id"], ["samples.id"], name="fk_analyses_sample_id"),
    )
    op.create_index("ix_analyses_sample_id", "analyses", ["sample_id"])
    op.create_table(
        "corrections",
        _number(),
        _uuid(),
        sa.Column("analysis_id", sa.Integer, nullable=False),
        sa.Column("particle", sa.Integer, nullable=False),
        sa.Column("action", sa.String(10), nullable=False),
        *_texts("kind"),
        sa.Column("who", sa.Text, nullable=False),
        _moment("made_at"),
        sa.PrimaryKeyConstraint("id", name="pk_corrections"),
        sa.UniqueConstraint("uuid", name="uq_corrections_uuid"),
        sa.ForeignKeyConstraint(["analysis_id"], ["analyses.id"], name="fk_corrections_analysis_id"),
        sa.CheckConstraint("action IN ('kind', 'reject', 'restore')", name="ck_corrections_action"),
        sa.CheckConstraint("(action = 'kind') = (kind IS NOT NULL)", name="ck_corrections_kind"),
    )
    op.create_index("ix_corrections_analysis_id", "corrections", ["analysis_id"])


def _comparisons() -> None:
    op.create_table(
        "comparisons",
        _number(),
        _uuid(),
        sa.Column("before_id", sa.Integer, nullable=False),
        sa.Column("after_id", sa.Integer, nullable=False),
        sa.Column("program_version", sa.Text, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        _moment("made_at"),
        sa.Column("result", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_comparisons"),
        sa.UniqueConstraint("uuid", name="uq_comparisons_uuid"),
        sa.ForeignKeyConstraint(["before_id"], ["analyses.id"], name="fk_comparisons_before_id"),
        sa.ForeignKeyConstraint(["after_id"], ["analyses.id"], name="fk_comparisons_after_id"),
    )
    op.create_index("ix_comparisons_before_id", "comparisons", ["before_id"])
    op.create_index("ix_comparisons_after_id", "comparisons", ["after_id"])


def _keep_as_they_are() -> None:
    dialect = op.get_context().dialect.name
    if dialect == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION '% are only ever added', TG_TABLE_NAME; END $$"
        )
    for table in FINAL:
        for event in EVENTS:
            name = f"{table}_no_{event}"
            if dialect == "postgresql":
                op.execute(
                    f"CREATE TRIGGER {name} BEFORE {event} ON {table} "
                    "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
                )
            elif dialect == "sqlite":
                op.execute(
                    f"CREATE TRIGGER {name} BEFORE {event} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} are only ever added'); END"
                )
