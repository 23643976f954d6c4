"""Commands. Results go to standard output, all else to standard error; README lists the exit statuses."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from dataclasses import replace
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import CalibrationError
from triage import cli_compare, cli_flow, cli_history, cli_record, cli_serve, options
from triage.errors import UserError

if TYPE_CHECKING:
    from calibration.calibrate import By, HowScaled
    from triage.analysis import Analysis, Sample, Setup
    from triage.report import Outputs

REFUSED = 3
INTERRUPTED = 130

app = typer.Typer(
    help="Photo triage of fuel-filter debris: print a card, photograph the debris on it, read what to do.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


@app.command()
def card(
    out: Annotated[
        Path | None, typer.Option(help="file to write: .pdf for the whole card, .png for one frame")
    ] = None,
    paper: Annotated[options.Sheet, typer.Option(help="paper of the PDF")] = options.Sheet.a4,
    number: Annotated[
        int, typer.Option(min=0, max=40, help="card number: stands for a printer and its paper")
    ] = 0,
    dpi: Annotated[int, typer.Option(min=100, max=2400, help="of the PNG")] = 600,
    frame: Annotated[options.Frame, typer.Option(help="frame to draw as PNG")] = options.Frame.wide,
    dark: Annotated[bool, typer.Option("--dark/--pale", help="dark ground, for pale debris")] = False,
    measured: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y", help="caliper lengths in mm of the printed card's two long bars, to keep"
        ),
    ] = None,
) -> None:
    """Draw the calibration card, or keep what a caliper says of a printed one."""
    if out is None and measured is None:
        raise UserError(
            "Say where to write the card with --out FILE.pdf, or what a print measures with --measured X,Y."
        )
    if measured is not None:
        _keep_card(number, measured)
    if out is not None:
        _draw_card(out, paper.value, number, dpi, frame.value, dark=dark)


def _keep_card(number: int, measured: str) -> None:
    from calibration.errors import CalibrationError
    from calibration.kept import CardCorrection, keep_card

    x_mm, y_mm = _numbers(measured, "--measured", ("X", "Y"))
    try:
        correction = CardCorrection.from_bars(x_mm, y_mm)
        path = keep_card(number, correction)
    except CalibrationError as error:
        raise UserError(f"--measured {measured}: {error}.") from error
    stretch = f"{100 * (correction.x - 1):+.2f} % along, {100 * (correction.y - 1):+.2f} % down"
    typer.echo(f"Kept for card number {number}: the print is off by {stretch} ({path}).")


def _draw_card(out: Path, paper: str, number: int, dpi: int, frame: str, *, dark: bool) -> None:
    from calibration.draw import card_pdf, frame_png

    kind = out.suffix.lower()
    if kind not in {".pdf", ".png"}:
        raise UserError(
            f"--out {out}: the card is drawn as .pdf or .png; give a file name with one of these endings."
        )
    try:
        if kind == ".pdf":
            card_pdf(out, paper=paper, number=number)
        else:
            frame_png(out, dpi=dpi, name=frame, number=number, dark=dark)  # type: ignore[arg-type]
    except OSError as error:
        raise UserError(
            f"Cannot write {out}: {(error.strerror or str(error)).lower()}; choose another folder."
        ) from error
    typer.echo(f"Card written to {out}.")


@app.command()
def lens(
    name: Annotated[str, typer.Argument(help="name for this magnification setting")],
    rule: Annotated[Path, typer.Option(help="photo of a steel rule or graph paper at that setting")],
    rule_unit: options.RuleUnitOption = None,
) -> None:
    """Keep the scale of a fixed magnification, such as a USB microscope too close to see the markers."""
    from calibration.errors import CalibrationError
    from calibration.kept import LensScale, keep_lens
    from calibration.ruler import find_rule_scale
    from triage.photo import open_photo

    photo = open_photo(rule)
    try:
        found = find_rule_scale(photo.rgb, unit=_value(rule_unit))
        path = keep_lens(name, LensScale(found.um_per_px, found.rel_u, max(photo.rgb.shape[:2])))
    except CalibrationError as error:
        raise UserError(f"{photo.file}: {error}.") from error
    typer.echo(
        f"Lens {name}: {found.um_per_px:.3f} um per pixel (within {100 * 2 * found.rel_u:.1f} %), "
        f"kept in {path}. Use it with --lens {name}."
    )


@app.command()
def analyse(
    photos: options.PhotosArgument,
    json: options.JsonOption = None,
    pdf: options.PdfOption = None,
    html: options.HtmlOption = None,
    csv: options.CsvOption = None,
    overlay: options.OverlayOption = None,
    paper: options.PaperOption = options.Sheet.a4,
    um_per_px: options.UmPerPxOption = None,
    rule: options.RuleOption = False,
    rule_unit: options.RuleUnitOption = None,
    points: options.PointsOption = None,
    lens: options.LensOption = None,
    window: options.WindowOption = None,
    origin: options.OriginOption = None,
    method: options.MethodOption = None,
    fraction: options.FractionOption = None,
    volume_ml: options.VolumeMlOption = None,
    blank: options.BlankOption = None,
    hours: options.HoursOption = None,
    months: options.MonthsOption = None,
    litres: options.LitresOption = None,
    installed: options.InstalledOption = None,
    element: options.ElementOption = None,
    feed: options.FeedOption = None,
    fuel: options.FuelOption = None,
    fuel_age_months: options.FuelAgeMonthsOption = None,
    head_mm: options.HeadMmOption = None,
    power_kw: options.PowerKwOption = None,
    flow_test_ml_min: options.FlowTestOption = None,
    flow_test_um: options.FlowTestUmOption = None,
    machine: options.MachineOption = None,
    save: options.SaveOption = False,
    noticed: options.NoticedOption = None,
    season: options.SeasonOption = None,
    storage: options.StorageOption = None,
) -> None:
    """Measure the debris in one sample's photos and say what to do."""
    from triage.analysis import Sample, Setup
    from triage.report import Outputs

    sample = Sample(
        origin=_value(origin),
        method=_value(method),
        fraction=fraction,
        installed_um=installed,
        element=_value(element),
        feed=_value(feed),
        fuel=_value(fuel),
        fuel_age_months=fuel_age_months,
        noticed=options.noticed_words(noticed),
        season=_value(season),
        storage=_value(storage),
        volume_ml=volume_ml,
        hours=hours,
        months=months,
        litres=litres,
        machine=machine,
        head_mm=head_mm,
        power_kw=power_kw,
        flow_test_ml_min=flow_test_ml_min,
        flow_test_um=flow_test_um,
    )
    _check_sample(sample)
    how = _how(um_per_px, points, lens, window, rule=rule, unit=rule_unit)
    outputs = Outputs(json=json, pdf=pdf, html=html, csv=csv, overlay=overlay, paper=paper.value)
    _check_outputs([json, pdf, html, csv, overlay], [*photos, *([blank] if blank else [])])
    _measure(photos, Setup(how=how, sample=sample, blank=blank), outputs, save=save)


def _measure(photos: list[Path], setup: Setup, outputs: Outputs, *, save: bool) -> None:
    """Measure the photos beside what the record knows of the machine, and hand out the result."""
    from triage.analysis import analyse as work

    if save:
        cli_record.check_can_save(setup.sample.machine)
    sample, earlier = cli_history.recalled(setup.sample, photos)
    analysis = work(photos, replace(setup, sample=sample, earlier=earlier))
    _deliver(analysis, outputs)
    if save:
        typer.echo(f"\n{cli_record.save(analysis, photos, setup.blank)}")


@app.command()
def batch(
    folder: Annotated[Path, typer.Argument(help="folder of photos, each a sample of its own")],
    out: Annotated[Path, typer.Option(help="table to write, one row a photo (CSV)")],
    workers: Annotated[
        int | None, typer.Option(min=1, max=64, help="photos measured side by side; default: one a processor")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="measure on the Dask cluster of this scheduler")
    ] = None,
    um_per_px: options.UmPerPxOption = None,
    rule: options.RuleOption = False,
    rule_unit: options.RuleUnitOption = None,
    points: options.PointsOption = None,
    lens: options.LensOption = None,
    window: options.WindowOption = None,
    origin: options.OriginOption = None,
    method: options.MethodOption = None,
    fraction: options.FractionOption = None,
    volume_ml: options.VolumeMlOption = None,
    installed: options.InstalledOption = None,
    element: options.ElementOption = None,
    feed: options.FeedOption = None,
    fuel: options.FuelOption = None,
    noticed: options.NoticedOption = None,
) -> None:
    """Measure a folder of photos, each a sample of its own; run it again to go on after a stop."""
    from triage.analysis import Sample, Setup

    if cluster is not None and workers is not None:
        raise UserError("--workers counts processes on this computer; leave it out with --cluster.")
    sample = Sample(
        origin=_value(origin),
        method=_value(method),
        fraction=fraction,
        installed_um=installed,
        element=_value(element),
        feed=_value(feed),
        fuel=_value(fuel),
        noticed=options.noticed_words(noticed),
        volume_ml=volume_ml,
    )
    _check_sample(sample)
    how = _how(um_per_px, points, lens, window, rule=rule, unit=rule_unit)
    _run_batch(folder, out, Setup(how=how, sample=sample), workers, cluster)


def _run_batch(folder: Path, out: Path, setup: Setup, workers: int | None, cluster: str | None) -> None:
    from triage.batch import columns, measure_with, pictures_in, pinned, run_batch
    from triage.progress import Told, summary
    from triage.report import write_table

    photos = pictures_in(folder)
    setup = pinned(setup)
    _check_outputs([out], photos)
    if out.is_dir():
        raise UserError(f"--out {out} is a folder; give a file name.")
    told = Told()
    try:
        journal = out.with_name(f"{out.name}.journal")
        rows = run_batch(photos, setup, journal, measure_with(workers, cluster), told)
    except KeyboardInterrupt:
        told.stopped()
        raise typer.Exit(INTERRUPTED) from None
    write_table(rows, columns(setup), out)
    typer.echo(f"{summary(rows)}. Written to {out}.")


def _check_outputs(outputs: Iterable[Path | None], pictures: list[Path]) -> None:
    """Refuse an output that would replace a picture or another output."""
    taken = {path.resolve(): "the photo" for path in pictures}
    for path in outputs:
        if path is None or (path.exists() and not path.is_file()):  # a device may take several
            continue
        place = path.resolve()
        if place in taken:
            raise UserError(f"{path} is already the name of {taken[place]}; give this output its own.")
        taken[place] = "another output"


def _deliver(analysis: Analysis, outputs: Outputs) -> None:
    """Write what was asked for and print the result; end here where no photo could be measured."""
    from triage.report import summary_text, write_report

    if not any(photo.usable for photo in analysis.photos):
        _write_refusal(analysis, outputs.json)
        raise typer.Exit(REFUSED)
    write_report(analysis, outputs)
    typer.echo(summary_text(analysis), nl=False)


def _write_refusal(analysis: Analysis, json: Path | None) -> None:
    from triage.report import write_json

    if json is not None:
        write_json(analysis, json)
    for photo in analysis.photos:
        for problem in photo.problems:
            typer.echo(f"{photo.file}: {problem.message} {problem.remedy}", err=True)


def _how(
    um_per_px: float | None,
    points: str | None,
    lens: str | None,
    window: str | None,
    *,
    rule: bool,
    unit: options.Division | None,
) -> HowScaled:
    from calibration.calibrate import HowScaled

    by = _scale(um_per_px, points, lens, rule=rule, unit=_value(unit))
    if window is None:
        return HowScaled(by)
    x, y, width, height = _numbers(window, "--window", ("X", "Y", "W", "H"))
    return HowScaled(by, (x, y, width, height))


def _scale(
    um_per_px: float | None, points: str | None, lens: str | None, *, rule: bool, unit: str | None
) -> By:
    from calibration.calibrate import ByCard, ByLens, ByPoints, ByRule, ByStated

    given = [
        name
        for name, use in (
            ("--um-per-px", um_per_px is not None),
            ("--points", points is not None),
            ("--lens", lens is not None),
            ("--rule", rule or unit),
        )
        if use
    ]
    if um_per_px is not None and not um_per_px > 0:
        raise UserError(f"--um-per-px {um_per_px:g} must be above 0.")
    if len(given) > 1:
        raise UserError(f"Give one scale, not {' and '.join(given)}.")
    if um_per_px is not None:
        return ByStated(um_per_px)
    if points is not None:
        return ByPoints(*_numbers(points, "--points", ("X1", "Y1", "X2", "Y2", "MM")))
    if lens is not None:
        if not lens.strip():
            raise UserError("--lens needs the name of a kept lens; triage lens --help tells how one is kept.")
        return ByLens(lens)
    return ByRule(unit) if rule or unit else ByCard()


def _numbers(text: str, option: str, names: tuple[str, ...]) -> tuple[float, ...]:
    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        values = ()
    if len(values) != len(names) or not all(map(math.isfinite, values)):
        raise UserError(
            f"{option} {text} must be {len(names)} numbers with commas between: {','.join(names)}."
        )
    return values


def _check_sample(sample: Sample) -> None:
    if sample.fraction is not None and not 0 < sample.fraction <= 1:
        raise UserError(
            f"--fraction {sample.fraction:g} must be above 0 and at most 1: "
            "the part of the debris on the card."
        )
    for name, value in vars(sample).items():
        if isinstance(value, float) and not math.isfinite(value):
            option = "installed" if name == "installed_um" else name.replace("_", "-")
            raise UserError(f"--{option} {value:g} is no amount; give an ordinary number or leave it out.")


def _value(choice: Enum | None) -> str | None:
    return choice.value if choice else None


app.command()(cli_compare.compare)
app.command()(cli_compare.plan)
app.command()(cli_flow.flow)
app.command()(cli_serve.serve)
app.add_typer(cli_record.app, name="record")


def run() -> None:
    """Run the command line; ends the process with the exit status of the contract."""
    sys.exit(_status())


def _status() -> int:
    try:
        status = app(standalone_mode=False)
    except (UserError, CalibrationError) as error:
        end = (
            "" if isinstance(error, UserError) else "."
        )  # of the data folder, which many parts read: a clause
        print(f"triage: {error}{end}", file=sys.stderr)
        return 2
    except (typer.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except Exception as error:  # the last net: one sentence, never a traceback
        wrong_usage = getattr(error, "format_message", None)  # what every usage error of the command line has
        if wrong_usage:
            print(f"triage: {wrong_usage()} (triage --help shows how)", file=sys.stderr)
            return 2
        print(
            f"triage: something went wrong inside ({type(error).__name__}: {error}); please report it.",
            file=sys.stderr,
        )
        return 1
    return status if isinstance(status, int) else 0
