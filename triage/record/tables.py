"""The tables of the service record, as SQLAlchemy classes; `migrations/` brings a database to this state.

Numbers (`id`) are local to one database and shown to people; `uuid` names the same thing in every copy of
it, so that an import never doubles what is there. Moments are UTC. Analyses, corrections and areas are only
ever added: triggers in the database refuse to change or delete them.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import (
    CheckConstraint,
    Date,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    LargeBinary,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

HEAD = "0003"  # the newest migration
SHA256 = String(64)
UUID = String(36)


class Moment(TypeDecorator[datetime]):
    """A point in time, kept as UTC without a zone, because SQLite keeps no zones."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn any zone into UTC."""
        del dialect
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Say that it is UTC."""
        del dialect
        return None if value is None else value.replace(tzinfo=UTC)


def now() -> datetime:
    """Return this moment, UTC."""
    return datetime.now(UTC)


def new_uuid() -> str:
    """Return a name that no other thing has."""
    return str(uuid4())


class Table(DeclarativeBase):
    """Base of all tables; constraints have names, so that migrations can speak of them."""

    metadata = MetaData(
        naming_convention={
            "pk": "pk_%(table_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "ix": "ix_%(table_name)s_%(column_0_name)s",
        }
    )
    type_annotation_map = {datetime: Moment, date: Date, str: Text, float: Double}  # noqa: RUF012 - SQLAlchemy's own form


class MachineRow(Table):
    """One machine of the workshop or yard."""

    __tablename__ = "machines"

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(UUID, unique=True, default=new_uuid)
    unit: Mapped[str]
    unit_key: Mapped[str] = mapped_column(String(400), unique=True)  # the unit number, case and spaces apart
    serial: Mapped[str | None]
    type: Mapped[str | None]
    engine: Mapped[str | None]
    cylinders: Mapped[int | None]
    power_kw: Mapped[float | None]
    head_mm: Mapped[float | None]
    feed: Mapped[str | None]
    fuel: Mapped[str | None]
    tank: Mapped[str | None]
    hose: Mapped[str | None]
    filter: Mapped[str | None]
    installed_um: Mapped[float | None]
    element: Mapped[str | None]
    notes: Mapped[str | None]
    added_at: Mapped[datetime] = mapped_column(default=now)


class VisitRow(Table):
    """One time that a machine was in the workshop."""

    __tablename__ = "visits"
    __table_args__ = (UniqueConstraint("id", "machine_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(UUID, unique=True, default=new_uuid)
    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    visited_on: Mapped[date]
    work_order: Mapped[str | None]
    complaint: Mapped[str | None]
    hours: Mapped[float | None]
    months: Mapped[float | None]
    litres: Mapped[float | None]
    fuel_age_months: Mapped[float | None]
    noticed: Mapped[str | None]  # words with commas between
    parts: Mapped[str | None]
    technician: Mapped[str | None]
    next_due: Mapped[str | None]
    notes: Mapped[str | None]
    added_at: Mapped[datetime] = mapped_column(default=now)

    machine: Mapped[MachineRow] = relationship()


class SampleRow(Table):
    """One debris sample; at a visit it belongs to that visit's machine, which the second key holds to."""

    __tablename__ = "samples"
    __table_args__ = (
        ForeignKeyConstraint(["visit_id", "machine_id"], ["visits.id", "visits.machine_id"]),
        CheckConstraint("visit_id IS NULL OR machine_id IS NOT NULL", name="machine_of_visit"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(UUID, unique=True, default=new_uuid)
    machine_id: Mapped[int | None] = mapped_column(ForeignKey("machines.id"), index=True)
    visit_id: Mapped[int | None] = mapped_column(index=True)
    saved_at: Mapped[datetime] = mapped_column(default=now)

    machine: Mapped[MachineRow | None] = relationship(foreign_keys=[machine_id])
    visit: Mapped[VisitRow | None] = relationship(viewonly=True)
    photos: Mapped[list[SamplePhotoRow]] = relationship(order_by="SamplePhotoRow.position")
    analyses: Mapped[list[AnalysisRow]] = relationship(order_by="AnalysisRow.id", back_populates="sample")


class PhotoRow(Table):
    """One photo; the file lies in the photo store.

    `sha256` names the photo for ever: of the file that came from the phone. `stored_sha256` is of the file
    that is kept, another one where the photo came in by import, with its location stripped.
    """

    __tablename__ = "photos"

    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(SHA256, unique=True)
    stored_sha256: Mapped[str] = mapped_column(SHA256)
    bytes: Mapped[int]
    added_at: Mapped[datetime] = mapped_column(default=now)


class SamplePhotoRow(Table):
    """A photo's place in a sample, and the name its file had."""

    __tablename__ = "sample_photos"
    __table_args__ = (CheckConstraint("role IN ('debris', 'blank')", name="role"),)

    sample_id: Mapped[int] = mapped_column(ForeignKey("samples.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    role: Mapped[str] = mapped_column(String(10))
    file: Mapped[str]

    photo: Mapped[PhotoRow] = relationship()


class AnalysisRow(Table):
    """What one version of the program made of a sample: the whole result, and what lists show of it."""

    __tablename__ = "analyses"

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(UUID, unique=True, default=new_uuid)
    sample_id: Mapped[int] = mapped_column(ForeignKey("samples.id"), index=True)
    program_version: Mapped[str]
    method_version: Mapped[str]
    analysed_on: Mapped[date]
    saved_at: Mapped[datetime] = mapped_column(default=now)
    headline: Mapped[str]
    count: Mapped[int]
    from_um: Mapped[float]
    median_um: Mapped[float | None]
    result: Mapped[str] = mapped_column(Text, deferred=True)  # the result as JSON, as it was made
    details: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)  # as `details.pack` makes it

    sample: Mapped[SampleRow] = relationship(back_populates="analyses")
    corrections: Mapped[list[CorrectionRow]] = relationship(order_by="CorrectionRow.id")
    areas: Mapped[list[AreaRow]] = relationship(order_by="AreaRow.id")


class CorrectionRow(Table):
    """What a technician said of one particle; the last word on a particle counts."""

    __tablename__ = "corrections"
    __table_args__ = (
        CheckConstraint("action IN ('kind', 'reject', 'restore', 'forget')", name="action"),
        CheckConstraint("(action = 'kind') = (kind IS NOT NULL)", name="kind"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(UUID, unique=True, default=new_uuid)
    analysis_id: Mapped[int] = mapped_column(ForeignKey("analyses.id"), index=True)
    particle: Mapped[int]
    action: Mapped[str] = mapped_column(String(10))
    kind: Mapped[str | None]
    who: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(default=now)


class AreaRow(Table):
    """A rectangle of a photo that a technician leaves out, or that one of these counts again.

    `area` numbers the rectangles of an analysis from 1; a row that restores one has no place of its own.
    """

    __tablename__ = "areas"
    __table_args__ = (
        CheckConstraint("action IN ('leave_out', 'restore')", name="action"),
        CheckConstraint("(action = 'leave_out') = (photo IS NOT NULL)", name="place"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(UUID, unique=True, default=new_uuid)
    analysis_id: Mapped[int] = mapped_column(ForeignKey("analyses.id"), index=True)
    area: Mapped[int]
    action: Mapped[str] = mapped_column(String(10))
    photo: Mapped[int | None]
    x_px: Mapped[float | None]
    y_px: Mapped[float | None]
    width_px: Mapped[float | None]
    height_px: Mapped[float | None]
    who: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(default=now)


class ComparisonRow(Table):
    """A comparison of two saved samples, as it was made."""

    __tablename__ = "comparisons"

    id: Mapped[int] = mapped_column(primary_key=True)
    uuid: Mapped[str] = mapped_column(UUID, unique=True, default=new_uuid)
    before_id: Mapped[int] = mapped_column(ForeignKey("analyses.id"), index=True)
    after_id: Mapped[int] = mapped_column(ForeignKey("analyses.id"), index=True)
    program_version: Mapped[str]
    verdict: Mapped[str]
    made_at: Mapped[datetime] = mapped_column(default=now)
    result: Mapped[str] = mapped_column(Text, deferred=True)

    before: Mapped[AnalysisRow] = relationship(foreign_keys=[before_id])
    after: Mapped[AnalysisRow] = relationship(foreign_keys=[after_id])
