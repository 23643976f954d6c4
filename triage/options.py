"""Options of the commands: their choices, types and help texts."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from triage.errors import UserError


class Frame(StrEnum):
    """Frames of the card."""

    wide = "wide"
    closeup = "closeup"
    micro = "micro"
    cutout = "cutout"


class Origin(StrEnum):
    """Where the debris was found."""

    filter = "filter"
    clean_side = "clean_side"
    tank = "tank"
    can = "can"
    bowl = "bowl"
    fuel = "fuel"


class Method(StrEnum):
    """How it got onto the card."""

    tipped = "tipped"
    filtered = "filtered"
    element = "element"


class Element(StrEnum):
    """Element of the installed filter."""

    screen = "screen"
    paper = "paper"


class Feed(StrEnum):
    """How fuel reaches the engine."""

    gravity = "gravity"
    pulse = "pulse"
    pump = "pump"
    injection = "injection"


class Fuel(StrEnum):
    """What fuel it is."""

    petrol = "petrol"
    e10 = "e10"
    oil_mix = "oil_mix"
    diesel = "diesel"


class Season(StrEnum):
    """The nights lately; cold is near freezing or below."""

    warm = "warm"
    cold_nights = "cold_nights"


class Storage(StrEnum):
    """Where the machine was: in use, or standing for a month or more."""

    in_use = "in_use"
    indoors = "indoors"
    outdoors = "outdoors"


class Division(StrEnum):
    """Smallest division of a rule; the value is its name in `calibration.ruler.DIVISIONS_UM`."""

    mm = "mm"
    half_mm = "1/2 mm"
    sixteenth_in = "1/16 in"
    thirty_second_in = "1/32 in"
    sixty_fourth_in = "1/64 in"


class Sheet(StrEnum):
    """Paper of the printed report or card."""

    a4 = "a4"
    letter = "letter"


RULE_UNIT_HELP = "smallest division of the rule, where its marks do not tell it"
NOTICED = (
    "water",
    "layers",
    "gum",
    "sour_smell",
    "white_corrosion",
    "green_corrosion",
    "slime",
    "swarf",
    "hose_crumbs",
    "none",
)

PhotosArgument = Annotated[list[Path], typer.Argument(help="one or more photos of one debris sample")]
JsonOption = Annotated[Path | None, typer.Option(help="write the result as JSON")]
PdfOption = Annotated[Path | None, typer.Option(help="write the report: customer's page, technician's page")]
HtmlOption = Annotated[Path | None, typer.Option(help="write the report as one web page")]
CsvOption = Annotated[Path | None, typer.Option(help="write every particle as CSV")]
OverlayOption = Annotated[Path | None, typer.Option(help="write the photo with every particle outlined")]
PaperOption = Annotated[Sheet, typer.Option(help="paper of the PDF")]
UmPerPxOption = Annotated[float | None, typer.Option(help="scale without a card: micrometres per pixel")]
RuleOption = Annotated[
    bool, typer.Option("--rule", help="scale from a steel rule or graph paper in the photo")
]
RuleUnitOption = Annotated[Division | None, typer.Option(help=RULE_UNIT_HELP)]
PointsOption = Annotated[
    str | None, typer.Option(metavar="X1,Y1,X2,Y2,MM", help="scale from two points (px) this many mm apart")
]
LensOption = Annotated[str | None, typer.Option(metavar="NAME", help="scale from a kept lens")]
WindowOption = Annotated[
    str | None, typer.Option(metavar="X,Y,W,H", help="count only inside this window (px)")
]
OriginOption = Annotated[Origin | None, typer.Option(help="where the debris was found")]
MethodOption = Annotated[Method | None, typer.Option(help="how it got onto the card")]
FractionOption = Annotated[
    float | None, typer.Option(help="part of the debris that was photographed, 0 to 1")
]
VolumeMlOption = Annotated[float | None, typer.Option(min=0, help="fuel sampled, ml")]
BlankOption = Annotated[Path | None, typer.Option(help="photo of the empty card, sheet or paper")]
HoursOption = Annotated[float | None, typer.Option(min=0, help="hours run since the last change")]
MonthsOption = Annotated[float | None, typer.Option(min=0, help="months since the last change")]
LitresOption = Annotated[float | None, typer.Option(min=0, help="litres burnt since the last change")]
InstalledOption = Annotated[
    float | None, typer.Option(metavar="UM", min=1, help="rating of the installed filter")
]
ElementOption = Annotated[Element | None, typer.Option(help="element of the installed filter")]
FeedOption = Annotated[Feed | None, typer.Option(help="how fuel reaches the engine")]
FuelOption = Annotated[Fuel | None, typer.Option(help="what fuel it is")]
FuelAgeMonthsOption = Annotated[float | None, typer.Option(min=0, help="how old the fuel is")]
SeasonOption = Annotated[Season | None, typer.Option(help="the nights lately")]
StorageOption = Annotated[
    Storage | None, typer.Option(help="in use, or where it stood for a month or more with fuel in it")
]
PowerKwOption = Annotated[float | None, typer.Option(min=0, help="rated power, kW")]
HeadMmOption = Annotated[
    float | None, typer.Option(help="fuel above the carburettor's inlet, tank nearly empty, mm")
]
FlowTestOption = Annotated[
    float | None, typer.Option(min=0, help="flow test: ml in one minute at the carburettor's end of the hose")
]
FlowTestUmOption = Annotated[
    float | None, typer.Option(metavar="UM", min=1, help="rating of the filter fitted in the flow test")
]
MachineOption = Annotated[str | None, typer.Option(help="unit number")]
SaveOption = Annotated[
    bool, typer.Option("--save", help="keep photos and result in the service record, with the machine")
]
NoticedOption = Annotated[
    str | None, typer.Option(metavar="LIST", help=f"what the bench saw, of {','.join(NOTICED)}")
]


def noticed_words(text: str | None) -> tuple[str, ...] | None:
    """Return what the bench saw as words; UserError where one is not of `NOTICED`."""
    if text is None:
        return None
    words = tuple(dict.fromkeys(word.strip() for word in text.split(",") if word.strip()))
    unknown = [word for word in words if word not in NOTICED]
    if unknown or not words:
        raise UserError(f"--noticed {text}: choose from {', '.join(NOTICED)}, with commas between.")
    if "none" in words and len(words) > 1:
        raise UserError("--noticed none cannot stand beside something that was noticed.")
    return words
