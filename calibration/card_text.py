"""The words printed on the card's sheets, in the order they are read."""

from __future__ import annotations

from typing import Literal, NamedTuple


class Block(NamedTuple):
    """A heading, a numbered step or a plain paragraph."""

    kind: Literal["heading", "step", "plain"]
    text: str


Columns = tuple[tuple[Block, ...], tuple[Block, ...]]

PRINT_HINT = "Print at 100 % (“actual size”), not “fit to page”. Plain matt paper, 600 dpi or finer."
BAR_WORDS = "from end face to end face 127.00 mm (5.000 in)"


def _heading(text: str) -> Block:
    return Block("heading", text)


def _step(text: str) -> Block:
    return Block("step", text)


def _plain(text: str) -> Block:
    return Block("plain", text)


def _check_printer(number: int) -> tuple[Block, ...]:
    return (
        _heading("Check each printer and its paper once"),
        _plain(
            "Printers stretch or shrink by up to 1 %. Measure both long black bars with a caliper, from "
            "end face to end face. They should be 127.00 mm (5.000 in). Whatever they are, enter both in "
            "millimetres, the lying bar (x) first:"
        ),
        _plain(f"<b>triage card --number {number} --measured X,Y</b>"),
        _plain(
            f"The correction is kept for card {number}. Another printer or another paper needs a card with "
            "another number (0 to 40)."
        ),
    )


_CAREFUL_SHORT = (
    _heading("Take care"),
    _plain(
        "Petrol (gasoline) vapour ignites far from the fuel. Open and air the filter outdoors, away from "
        "flames, sparks and hot engines. Cut metal is sharp. Photograph only when no fuel can be smelt. "
        "Read the last sheet first."
    ),
)


def wide_words(number: int) -> Columns:
    """Beside the pale wide frame: the whole job in short."""
    steps = (
        _heading("At the bench"),
        _step("Photograph this sheet empty. That picture is the blank."),
        _step(
            "Tip the debris into the window. Let it dry until no fuel can be smelt: wet debris smears "
            "the print."
        ),
        _step(
            "Spread it with a clean brush or card so that the pieces lie apart, covering no more than a "
            "tenth of the window. Too much? Mix, quarter, keep one part, and note which part."
        ),
        _step("Light from a window, or one lamp to the side. No flash. Nothing in the window may shine."),
        _step(
            "Hold the phone level above the card until the frame fills the picture with all four corner "
            "squares in it. Tap on the window to focus. Hold still."
        ),
        _step("Run <b>triage analyse PHOTO --blank EMPTY</b> with the two pictures, unshrunk and uncropped."),
    )
    return steps, _CAREFUL_SHORT + _check_printer(number)


def wide_dark_words(number: int) -> Columns:
    """Beside the dark wide frame."""
    use = (
        _heading("When to use the dark frame"),
        _plain(
            "Clear plastic, sand, white corrosion and pale fibres vanish on white paper. If something "
            "glitters in the filter and does not show on the pale frame, tip the debris here and take a "
            "second picture."
        ),
        _step("Let the debris dry fully: fuel dissolves toner, and toner looks like debris."),
        _step("Black toner shines. Turn the card or move the lamp until no bright patch lies in the window."),
        _step("Photograph the empty frame too, then go on as on the pale sheet."),
        _step("Discard the sheet when the black is scratched or speckled."),
    )
    return use, _check_printer(number)


def small_words(*, dark: bool) -> Columns:
    """Beside the close-up and micro frames."""
    closeup = (
        _heading("Close-up: 10–12 µm (0.4–0.5 thou) a pixel"),
        _step("Cut the frames apart along the thin lines, so that only one is in the picture."),
        _step("Use the phone’s macro mode and let the frame fill the picture."),
        _step(
            "Lay the end of a clean feeler-gauge blade, or a straight single strand of fine wire, in the "
            "groove beside the window, coming in from the right between the corner squares. Its edge "
            "shows how sharp the picture is; a printed edge is too ragged for that."
        ),
        _step(
            "Only about 0.7 mm (28 thou) of height is sharp at once: flat card, phone level, no thick "
            "lumps in the window."
        ),
    )
    micro = (
        _heading("Micro: about 4 µm (0.16 thou) a pixel"),
        _step(
            "A clip-on lens on the phone. Rest the lens or the phone on something: it cannot be held still."
        ),
        _step("Lay one straight strand of fine wire in the groove."),
        _step("Only 0.1 to 0.2 mm (4 to 8 thou) is sharp: thin debris only, card taped flat."),
        _plain("A printer’s paper feed is uneven over so short a length; the tool allows 0.4 % for that."),
    )
    shine = _plain("Black toner shines: move the light until no bright patch lies in the window.")
    return closeup, (*micro, shine) if dark else micro


def cutout_words() -> Columns:
    """Beside the frames whose window is cut away."""
    cut = (
        _heading("Cut the window out"),
        _plain(
            "Cut along the thin line round the window with a sharp blade and a rule, on a board. The "
            "marks outside the line must stay whole. Then lay the sheet flat over what is to be "
            "measured, so that it shows through."
        ),
        _plain("Cut the small frames apart first, along the lines between them."),
        _plain("Hold the sheet down at its edges: a gap under it changes the scale."),
    )
    lay = (
        _heading("What goes under it"),
        _step(
            "White filter paper, after a measured volume of fuel or rinse has been poured through it and "
            "it has dried. Photograph an unused paper of the same pack first: that is the blank."
        ),
        _step("The element itself, opened and laid flat, dry, no fuel to be smelt."),
        _plain("Then take the picture as with the other frames."),
    )
    return cut, lay


FROM_FILTER_TO_CARD: Columns = (
    (
        _heading("1  Open the filter"),
        _plain(
            "Drain it and let it air outdoors. Cut it open with a knife, shears or a tubing cutter. "
            "Never a saw, a grinder or a hot blade: their chips become debris, and their sparks ignite "
            "vapour."
        ),
        _heading("2  Bring the debris onto the card, one of three ways"),
        _plain("<b>Tipped.</b> Loose sediment: tip it into the window, dry it, spread it."),
        _plain(
            "<b>Filtered.</b> Pour a measured volume of fuel or rinse through white filter paper, dry "
            "it, lay the cut-out frame on it."
        ),
        _plain("<b>Element.</b> Lay the cut-out frame on the opened, dry element."),
        _plain(
            "Diesel and oil-mix do not dry. Rinse with the shop’s own clean parts-washing fluid, decant, "
            "air outdoors."
        ),
        _heading("3  Not too much"),
        _plain(
            "If more than a tenth of the window is covered: mix, quarter, keep one part, and give that "
            "part to the tool (a quarter: --fraction 0.25)."
        ),
    ),
    (
        _heading("4  The blank"),
        _plain(
            "Photograph the empty card, sheet or paper first, the same way. It shows what was there "
            "before the debris; it is printed beside the result and never subtracted."
        ),
        _heading("5  The picture"),
        _plain(
            "<b>Light</b> from a window or one lamp to the side. No flash, no direct sun, no shine in "
            "the window."
        ),
        _plain("<b>Level.</b> Phone parallel to the card, the whole frame in the picture and filling it."),
        _plain("<b>Sharp.</b> Wipe the lens, tap on the window to focus, hold still or use the timer."),
        _plain(
            "<b>Whole.</b> Copy the picture as the phone made it: no crop, no filter, no messenger that "
            "shrinks it."
        ),
        _plain("A clear sheet under the debris only on the wide frame: it shines and shifts the shadows."),
        _heading("6  The result"),
        _plain(
            "Every picture states the smallest piece that it can show and the smallest that it can size. "
            "What lies below is not reported as measured: go to the next frame."
        ),
    ),
)

FRAME_TABLE: tuple[tuple[str, ...], ...] = (
    ("Frame", "Window", "Taken with", "One pixel at 12 MP", "Answers ratings of", "Sharp over"),
    (
        "wide",
        "100 × 70 mm\n3.9 × 2.8 in",
        "phone",
        "32 to 38 µm\n1.3 to 1.5 thou",
        "150 and 75 µm\n6 and 3 thou",
        "4 to 6 mm\n0.16 to 0.24 in",
    ),
    (
        "close-up",
        "30 × 20 mm\n1.2 × 0.8 in",
        "phone’s macro mode",
        "10 to 12 µm\n0.4 to 0.5 thou",
        "30 µm, 25 if sharp\n1.2, 1.0 thou",
        "0.6 to 0.8 mm\n24 to 31 thou",
    ),
    (
        "micro",
        "10 × 7 mm\n0.4 × 0.3 in",
        "clip-on lens",
        "about 4 µm\n0.16 thou",
        "15 µm, perhaps 10\n0.6, perhaps 0.4 thou",
        "0.1 to 0.2 mm\n4 to 8 thou",
    ),
    ("cut-out", "wide or close-up,\ncut away", "as above", "as above", "filter paper,\nelement", "as above"),
)
TABLE_NOTE = (
    "Computed for common phones. 1 thou = 0.001 in = 25.4 µm. A rating is what a filter’s maker says it "
    "stops; 150, 75 and 25 µm are the trade’s round figures for 6, 3 and 1 thou."
)

SAFETY: Columns = (
    (
        _heading("Take care: fuel and its vapour"),
        _plain(
            "<b>Vapour.</b> Petrol (gasoline) gives off vapour that is heavier than air, gathers in low "
            "places and ignites at a distance. Work outdoors or in moving air, away from flames, "
            "cigarettes, heaters, hot engines, running motors, chargers and switches. A phone and a lamp "
            "can spark too: bring them near only when no fuel can be smelt."
        ),
        _plain(
            "<b>Never</b> warm debris, element or card to dry them. Keep an extinguisher for burning "
            "liquids at hand."
        ),
    ),
    (
        _heading("Sharp metal, waste, rules"),
        _plain(
            "<b>Cut metal</b> is sharp: gloves that resist fuel and cuts, and eye protection. Keep fuel "
            "off the skin."
        ),
        _plain(
            "<b>Waste.</b> Fuel, rinse, wipes and filters go into closed metal containers and to where "
            "local rules say; never into a drain, onto the ground or into the bin."
        ),
        _plain(
            "Local rules, the engine maker’s instructions and licensed practice come before anything on "
            "this card. For injection, marine and outboard engines use the maker’s element only."
        ),
    ),
)
