"""The wording of the advice, apart from the rules that choose it.

What the trade does is common practice, no source. Written to be read by the customer too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from triage.sizing import inches

MM_PER_INCH = 25.4

VAPOUR = (
    "Fuel vapour burns: work outdoors, away from flames, sparks and hot engines, and photograph only when no "
    "fuel can be smelt."
)
SHARP = "Cut metal and opened filters have sharp edges: wear gloves."
WASTE = "Collect waste fuel, rags and filters in closed containers and hand them in as your local rules say."
FLOW_TEST = (
    "Flow test: outdoors, engine cold, into a vented container; tank cap shut first, then cracked open. If "
    "it runs better with the cap open, the vent is the fault."
)
MAKERS = (
    "Marine, outboard and injection engines take only the maker's filter; never restrict the flow ahead of "
    "a high-pressure pump."
)
LEAN = "Too little fuel makes an engine run lean; a two-stroke then seizes."
PHOTO = "This is a photo check, not a laboratory test."


@dataclass(frozen=True)
class Wording:
    """One action: the few words for the headline, the whole instruction, and its cautions."""

    short: str
    text: str
    cautions: tuple[str, ...] = (VAPOUR, WASTE)


# In the order to act: the source, then cleaning, then the filter, then what this photo leaves open.
ACTIONS = {
    "drain_water": Wording(
        "drain the water",
        "Drain tank, filter housing and carburettor bowl until clear fuel comes without drops at the bottom "
        "of the jar. Then find where the water gets in: cap, can, or a tank left half empty in the cold.",
    ),
    "fresh_fuel": Wording(
        "drain the old fuel",
        "Drain all the fuel, fill with fresh fuel of the right kind, and empty the can it came from too.",
    ),
    "check_cap_and_can": Wording(
        "find where the debris comes from",
        "Find where the debris comes from before changing anything else. Look at the filler cap and its "
        "vent, the strainer in the filler neck, the fuel can and funnel, the inside of the tank, the hose.",
    ),
    "replace_hose": Wording(
        "replace the hose",
        "Replace the fuel hose with one made for this fuel, cut it square with a knife, and flush it.",
    ),
    "clean_tank": Wording(
        "clean the tank",
        "Take the tank off or empty it, and rinse it until the rinse comes out clear. Look inside with a "
        "lamp that is safe near fuel vapour, let it dry in the open air, then fit a new filter.",
    ),
    "clean_carburettor": Wording(
        "clean the carburettor",
        "Clean the bowl, the jets and the needle seat, then fit a new filter the right way round.",
    ),
    "service_injection": Wording(
        "have the injection looked after",
        "Have the fuel rail, the pump strainer and the injector checked as the maker's manual says.",
        (VAPOUR, WASTE, MAKERS),
    ),
    "shorten_interval": Wording(
        "change the filter sooner",
        "Change the filter at half the usual interval until a change shows little debris again.",
        (VAPOUR, SHARP, WASTE),
    ),
    "coarser_or_larger": Wording(
        "get more fuel through the filter",
        "Fit a coarser filter, or one of the same rating with a larger element.",
        (FLOW_TEST, LEAN, MAKERS, VAPOUR),
    ),
    "finer": Wording(
        "fit a finer filter",
        "Once the source is dealt with, fit the finer filter named here, of at least the same element size.",
        (FLOW_TEST, LEAN, MAKERS, VAPOUR),
    ),
    "stage": Wording(
        "fit two filters, the coarse one first",
        "Once the source is dealt with, keep the coarse filter and add the finer one named here behind it.",
        (FLOW_TEST, LEAN, MAKERS, VAPOUR),
    ),
    "ask_licensed": Wording(
        "ask the maker's service",
        "Fit only the filter the engine's maker names, and ask a licensed technician before going further.",
        (MAKERS, VAPOUR),
    ),
    "keep": Wording(
        "keep the filter",
        "Keep to the kind of filter this machine has: nothing here asks for another.",
        (PHOTO,),
    ),
    "usual_interval": Wording(
        "change it at the usual interval",
        "Change it at the usual interval: once a year, twice in heavy use, or as the maker says.",
        (PHOTO,),
    ),
    "laboratory": Wording(
        "send a sample to a laboratory",
        "Send a sample in a clean jar made for fuel to a laboratory.",
    ),
    "collect_more": Wording(
        "collect more debris",
        "Collect more debris before deciding: rinse the filter out again, or take a bigger sample.",
        (VAPOUR, SHARP, WASTE),
    ),
    "retake": Wording("take the photo again", "Take the photo again.", (VAPOUR,)),
}

SEEN_FIRST = {
    "water": "water",
    "layers": "fuel in layers",
    "gum": "gum",
    "sour_smell": "stale fuel",
    "white_corrosion": "white corrosion",
    "green_corrosion": "green corrosion",
    "slime": "slime",
    "swarf": "cut metal",
    "hose_crumbs": "hose crumbs",
}
LOOK_FIRST = "Nobody has said yet whether there is water or stale fuel: look before closing up."
BOWL_AND_INJECTION = (
    "A carburettor bowl and fuel injection do not go together: check where the debris came from and the feed."
)
RETAINED_CAUTION = (
    "This debris is what the filter stopped. Finer debris mostly went through it and is missing here."
)
ALWAYS_CAUTION = (VAPOUR, SHARP, WASTE, PHOTO)


def either_size(um: float) -> str:
    """Return a size in microns and in inches, as the trade writes both: 75 um (0.003 in)."""
    return f"{um:.0f} um ({inches(um)} in)"


def either_height(mm: float) -> str:
    """Return a height in millimetres and in inches: 158 mm (6.2 in)."""
    return f"{mm:.0f} mm ({mm / MM_PER_INCH:.1f} in)"


def about_height(mm: float) -> str:
    """Return a height that was worked out: to two figures, in millimetres and inches."""
    rounded = float(f"{mm:.2g}")
    inch = float(f"{rounded / MM_PER_INCH:.2g}")
    return f"{rounded:.0f} mm ({inch:g} in)"


def pieces(count: int) -> str:
    """Return "no pieces", "1 piece" or "41 pieces"."""
    return f"{count or 'no'} piece{'' if count == 1 else 's'}"


def all_of(names: Sequence[str]) -> str:
    """Join names as a sentence does: "a, b and c"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def either_of(options: Sequence[str]) -> str:
    """Join options as a sentence does: "a, b or c"."""
    return " or ".join([", ".join(options[:-1]), options[-1]] if len(options) > 1 else options)


def element_words(element: str) -> str:
    """Return what an element is called in a sentence."""
    return "screen" if element == "screen" else "paper element"
