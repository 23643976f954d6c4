"""Commands of the service record: `triage record ...`, and what `triage analyse --save` does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from triage import options
from triage.errors import UserError

if TYPE_CHECKING:
    from triage.analysis import Analysis
    from triage.record.history import History, HistoryRow
    from triage.record.opening import Record

FAULTY = 2

app = typer.Typer(
    help="The service record: machines, visits, samples with photos and results.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
UnitArgument = Annotated[str, typer.Argument(metavar="UNIT", help="unit number of the machine")]
SampleArgument = Annotated[int, typer.Argument(metavar="SAMPLE", min=1, help="number of a saved sample")]
ZipArgument = Annotated[Path, typer.Argument(metavar="FILE.zip")]


@app.callback()
def which(
    context: typer.Context,
    database: Annotated[
        str | None,
        typer.Option(
            metavar="URL",
            help="another record than the one in the data folder, such as postgresql://user@host/name; "
            "else what TRIAGE_DATABASE names",
        ),
    ] = None,
) -> None:
    """The service record: machines, visits, samples with photos and results."""
    context.obj = database


@app.command()
def add(
    context: typer.Context,
    unit: UnitArgument,
    serial: Annotated[str | None, typer.Option(help="serial number")] = None,
    type: Annotated[str | None, typer.Option(help="pressure washer, trash pump, ...")] = None,
    engine: Annotated[str | None, typer.Option(help="engine")] = None,
    cylinders: Annotated[int | None, typer.Option(min=1, max=16, help="cylinders")] = None,
    power_kw: options.PowerKwOption = None,
    head_mm: options.HeadMmOption = None,
    feed: options.FeedOption = None,
    fuel: options.FuelOption = None,
    tank: Annotated[str | None, typer.Option(help="tank: material, size, where it sits")] = None,
    hose: Annotated[str | None, typer.Option(help="hose: bore, length, age")] = None,
    filter: Annotated[str | None, typer.Option(help="the installed filter, in your words")] = None,
    installed: options.InstalledOption = None,
    element: options.ElementOption = None,
    notes: Annotated[str | None, typer.Option(help="anything else")] = None,
) -> None:
    """Add a machine, or change what is given of one that is there."""
    from triage.record.book import known_machine, save_machine
    from triage.record.entries import Machine

    told = {
        "serial": serial,
        "type": type,
        "engine": engine,
        "cylinders": cylinders,
        "power_kw": power_kw,
        "head_mm": head_mm,
        "feed": feed and feed.value,
        "fuel": fuel and fuel.value,
        "tank": tank,
        "hose": hose,
        "filter": filter,
        "installed_um": installed,
        "element": element and element.value,
        "notes": notes,
    }
    given: dict[str, Any] = {name: value for name, value in told.items() if value is not None}
    with _open(context) as record:
        known = known_machine(record, unit)
        machine = save_machine(record, replace(known or Machine(unit), **given))
    typer.echo(f"Machine {machine.unit} {'changed' if known else 'added'}.")


@app.command("list")
def list_machines(context: typer.Context) -> None:
    """List the machines, how many samples each has, and the day of the last one."""
    from triage.record.book import machines

    with _open(context) as record:
        found = machines(record)
    if not found:
        typer.echo("No machine is in the record yet; add one with triage record add UNIT.")
        return
    rows = [("unit", "type", "engine", "samples", "last saved")]
    for each in found:
        last = _day(each.last_saved_at) if each.last_saved_at else ""
        machine = each.machine
        rows.append((machine.unit, machine.type or "", machine.engine or "", str(each.samples), last))
    _table(rows)


@app.command()
def visit(
    context: typer.Context,
    unit: UnitArgument,
    day: Annotated[str | None, typer.Option("--date", metavar="YYYY-MM-DD", help="else today")] = None,
    work_order: Annotated[str | None, typer.Option(help="work order")] = None,
    complaint: Annotated[str | None, typer.Option(help="what the customer complained of")] = None,
    hours: options.HoursOption = None,
    months: options.MonthsOption = None,
    litres: options.LitresOption = None,
    fuel_age_months: options.FuelAgeMonthsOption = None,
    noticed: options.NoticedOption = None,
    parts: Annotated[str | None, typer.Option(help="parts fitted")] = None,
    technician: Annotated[str | None, typer.Option(help="technician's initials")] = None,
    next_due: Annotated[str | None, typer.Option(help="when to come back")] = None,
    notes: Annotated[str | None, typer.Option(help="anything else")] = None,
    sample: Annotated[int | None, typer.Option(min=1, help="saved sample taken at this visit")] = None,
) -> None:
    """Add a service visit of a machine."""
    from triage.record.book import attach_sample, save_visit
    from triage.record.entries import ServiceVisit

    words = options.noticed_words(noticed)
    told = ServiceVisit(
        visited_on=_date(day),
        work_order=work_order,
        complaint=complaint,
        hours=hours,
        months=months,
        litres=litres,
        fuel_age_months=fuel_age_months,
        noticed=words,
        parts=parts,
        technician=technician,
        next_due=next_due,
        notes=notes,
    )
    with _open(context) as record:
        saved = save_visit(record, unit, told)
        if sample is not None:
            attach_sample(record, sample, visit=saved.number)
    with_sample = f", with sample {sample}" if sample is not None else ""
    typer.echo(f"Visit {saved.number} of machine {saved.unit} on {saved.visited_on} saved{with_sample}.")


@app.command()
def attach(
    context: typer.Context,
    sample: SampleArgument,
    visit: Annotated[int | None, typer.Option(min=1, help="number of the visit")] = None,
    machine: options.MachineOption = None,
) -> None:
    """Put a saved sample under a visit, or under a machine."""
    from triage.record.book import attach_sample, find_sample

    if visit is None and machine is None:
        raise UserError("Say where the sample belongs: --visit NUMBER or --machine UNIT.")
    with _open(context) as record:
        attach_sample(record, sample, unit=machine, visit=visit)
        found = find_sample(record, sample)
    at = f", visit {found.visit}" if found.visit else ""
    typer.echo(f"Sample {sample} now belongs to machine {found.unit}{at}.")


@app.command()
def confirm(
    context: typer.Context,
    sample: SampleArgument,
    piece: Annotated[int, typer.Argument(metavar="PIECE", min=1, help="its number in the report")],
    technician: Annotated[str, typer.Option(help="technician's initials")],
    kind: Annotated[str | None, typer.Argument(metavar="[KIND]", help="rust, rubber, grit, ...")] = None,
    forget: Annotated[bool, typer.Option("--forget", help="in place of a kind: take it back")] = False,
) -> None:
    """Say what a piece proved to be at the bench; from 20 confirmed pieces on, photos heed them."""
    from triage.record import book
    from triage.record.entries import Correction
    from triage.report.words import forgotten_words, learnt_words

    if forget == (kind is not None):
        raise UserError("Name the kind that the piece proved to be, or --forget; one of the two.")
    with _open(context) as record:
        if kind is None:
            typer.echo(forgotten_words(book.forget(record, sample, piece, technician)))
        else:
            typer.echo(learnt_words(book.learn(record, sample, Correction(piece, "kind", kind, technician))))


@app.command()
def history(
    context: typer.Context,
    unit: UnitArgument,
    pdf: Annotated[Path | None, typer.Option(metavar="FILE", help="write it as a PDF")] = None,
) -> None:
    """Show a machine's samples over time: how much, how big, of what kinds."""
    from triage.record.book import history as work
    from triage.record.book import trend_words, visits

    with _open(context) as record:
        found, been, trend = work(record, unit), visits(record, unit), trend_words(record, unit)
        if pdf is not None:
            _write_history(record, unit, pdf)
    typer.echo(f"{found.machine.unit}: {len(been)} visits, {len(found.rows)} samples.")
    for each in been:
        said = [each.work_order and f"work order {each.work_order}", each.complaint, each.parts, each.notes]
        typer.echo(f"visit {each.number}, {each.visited_on}: {'; '.join(filter(None, said)) or 'no notes'}")
    if found.rows:
        _show_samples(found)
    if trend:
        typer.echo("\n" + trend.replace("µ", "u"))


@app.command()
def export(
    context: typer.Context,
    out: ZipArgument,
    machine: options.MachineOption = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="with a PDF report of every sample")] = False,
) -> None:
    """Write one machine, or everything, to a zip: JSON, CSV, photos without their location."""
    from triage.record.exchange import export as work

    with _open(context) as record:
        done = work(record, out, machine, pdf=pdf)
    for sha256 in done.missing:
        typer.echo(
            f"The file of photo {sha256[:12]} is gone or damaged; triage record check says more.", err=True
        )
    typer.echo(f"{done.machines} machines, {done.samples} samples and {done.photos} photos written to {out}.")


@app.command("import")
def import_zip(context: typer.Context, zip_file: ZipArgument) -> None:
    """Bring in a zip that was exported elsewhere; what is there already stays as it is."""
    from triage.record.bring_in import bring_in

    with _open(context) as record:
        done = bring_in(record, zip_file)
    for was, now in done.renamed:
        typer.echo(f"{was} is another machine here (its serial number differs): imported as {now}.", err=True)
    typer.echo(f"New: {done.machines} machines, {done.visits} visits, {done.samples} samples.")


@app.command()
def backup(context: typer.Context, folder: Annotated[Path, typer.Argument(metavar="FOLDER")]) -> None:
    """Copy the record into a folder while it is in use."""
    from triage.record.upkeep import back_up

    with _open(context) as record:
        done = back_up(record, folder)
    typer.echo(f"Copied to {done.file}; {done.photos} photos with it, {done.copied} of them new.")


@app.command()
def check(
    context: typer.Context,
    tidy: Annotated[
        bool, typer.Option("--tidy", help="remove files that saves which were cut off left behind")
    ] = False,
) -> None:
    """Check that all of the record is whole: database, photos, results."""
    from triage.record.upkeep import check as work
    from triage.record.upkeep import tidy as clean

    with _open(context) as record:
        removed = clean(record) if tidy else 0
        faults = work(record)
    if removed:
        typer.echo(f"{removed} files left by saves that were cut off were removed.")
    for fault in faults:
        typer.echo(f"{fault.message} {fault.remedy}")
    if faults:
        raise typer.Exit(FAULTY)
    typer.echo("The record is whole.")


def check_can_save(machine: str | None) -> None:
    """Refuse before the photos are measured what could not be saved after."""
    from triage.record.book import open_record
    from triage.record.entries import clean_unit

    if machine is not None:
        clean_unit(machine)
    open_record().close()


def save(analysis: Analysis, photos: Sequence[Path], blank: Path | None) -> str:
    """Keep an analysis under its machine in the record; returns the sentence that says so."""
    from triage.record.book import open_record, save_sample

    with open_record() as record:
        saved = save_sample(record, analysis, photos, blank=blank, unit=analysis.sample.machine)
    under = f" of machine {saved.unit}" if saved.unit else ""
    return f"Saved as sample {saved.number}{under}."


def _open(context: typer.Context) -> Record:
    from triage.record.opening import open_record

    return open_record(context.obj)


def _date(given: str | None) -> date:
    try:
        return date.fromisoformat(given) if given else date.today()
    except ValueError:
        raise UserError(f"--date {given} is no date; write it like 2026-05-31.") from None


def _day(moment: datetime) -> str:
    return moment.astimezone().date().isoformat()


def _show_samples(found: History) -> None:
    from triage.sizing import inches

    um = found.from_um
    typer.echo(f"\nPieces over {um:.0f} um ({inches(um)} in), which every photo could size:")
    heads = ("sample", "visit", "day", "origin", "pieces (95 %)", "in all", "median um (thou)", "kinds")
    _table([heads, *(_sample_cells(each) for each in found.rows)])


def _sample_cells(row: HistoryRow) -> tuple[str, ...]:
    middle = "" if row.median_um is None else f"{row.median_um:.0f} ({row.median_um / 25.4:.1f})"
    kinds = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in list(row.kinds.items())[:3])
    counted = f"{row.count} ({row.count_low:.0f}-{row.count_high:.0f})"
    visit = "" if row.visit is None else str(row.visit)
    return (
        str(row.sample),
        visit,
        str(row.day),
        row.origin or "",
        counted,
        f"{row.in_all:.0f}",
        middle,
        kinds,
    )


def _write_history(record: Record, unit: str, path: Path) -> None:
    from triage.kept_shop import load_settings
    from triage.record.reports import history_report
    from triage.report.files import write_whole

    write_whole(path, history_report(record, unit, load_settings().paper).data)


def _table(rows: Sequence[tuple[str, ...]]) -> None:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        typer.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
