"""The sentences of the advice, apart from the rules that choose them.

What the trade does is common practice, no source. Written to be read by the customer too.
"""

from __future__ import annotations

from dataclasses import dataclass

from triage.sizing import inches


@dataclass(frozen=True)
class Wording:
    """One action: the few words for the headline, and the whole instruction."""

    short: str
    text: str


# In the order to act: the source, then cleaning, then the filter, then what this photo leaves open.
ACTIONS = {
    "drain_water": Wording(
        "drain the water",
        "Drain tank, filter housing and carburettor bowl until clear fuel comes without drops at the bottom "
        "of the jar, and find where the water gets in: cap, can, or a tank left half empty in the cold.",
    ),
    "fresh_fuel": Wording(
        "drain the old fuel",
        "Drain all the fuel, fill with fresh fuel of the right kind, and empty the can it came from too.",
    ),
    "check_cap_and_can": Wording(
        "find where the debris comes from",
        "Find where the debris comes from before changing anything else: filler cap and its vent, the "
        "strainer in the filler neck, the fuel can and funnel, the inside of the tank, the hose.",
    ),
    "replace_hose": Wording(
        "replace the hose",
        "Replace the fuel hose with one made for this fuel, cut it square with a knife, and flush it.",
    ),
    "clean_tank": Wording(
        "clean the tank",
        "Take the tank off or empty it, rinse it until the rinse comes out clear, look inside with a lamp "
        "that is safe near fuel vapour, and let it dry in the open air. Then fit a new filter.",
    ),
    "clean_carburettor": Wording(
        "clean the carburettor",
        "Clean the bowl, the jets and the needle seat, then fit a new filter the right way round.",
    ),
    "service_injection": Wording(
        "have the injection looked after",
        "Have the fuel rail, the pump strainer and the injector checked as the maker's manual says.",
    ),
    "shorten_interval": Wording(
        "change the filter sooner",
        "Change the filter at half the usual interval until a change shows little debris again.",
    ),
    "finer": Wording(
        "fit a finer filter",
        "Once the source is dealt with, fit the finer filter named here, of at least the same element size.",
    ),
    "ask_licensed": Wording(
        "ask the maker's service",
        "Fit only the filter the engine's maker names, and ask a licensed technician before going further.",
    ),
    "keep": Wording(
        "keep the filter",
        "Keep to the kind of filter this machine has: nothing here asks for another.",
    ),
    "usual_interval": Wording(
        "change it at the usual interval",
        "Change it at the usual interval: once a year, twice in heavy use, or as the maker says.",
    ),
    "collect_more": Wording(
        "collect more debris",
        "Collect more debris before deciding: rinse the filter out again, or take a bigger sample.",
    ),
    "retake": Wording("take the photo again", "Take the photo again."),
}
FINER_PROPOSAL = (
    "A proposal until a flow test shows that enough fuel still runs through: once the source is dealt with, "
    "try the finer filter named here and measure the flow before the machine goes out."
)
MAKERS_ELEMENT = "Keep to the filter the engine's maker names for this injection system."
CLOSER = "Go closer, on the close-up or micro frame, so that smaller pieces can be sized."

# What the bench says: the sentence, and the actions it calls for.
BENCH = {
    "water": ("Water was seen in the fuel.", ("drain_water",)),
    "layers": ("The fuel stood in layers: water, or a blend that has parted.", ("drain_water", "fresh_fuel")),
    "gum": ("Gum or varnish was found: fuel that stood too long.", ("fresh_fuel", "clean_carburettor")),
    "sour_smell": ("The fuel smells sour: it is stale.", ("fresh_fuel",)),
    "white_corrosion": (
        "White corrosion was found: water has stood on aluminium or zinc.",
        ("drain_water", "clean_carburettor"),
    ),
    "green_corrosion": (
        "Green corrosion was found: water or stale fuel has eaten at brass or copper.",
        ("drain_water", "fresh_fuel", "clean_carburettor"),
    ),
    "slime": (
        "Slime was found: growth where water lies under the fuel.",
        ("drain_water", "fresh_fuel", "clean_tank"),
    ),
    "swarf": (
        "Cut metal was found: chips from opening the filter, or wear of a pump.",
        ("retake",),
    ),
    "hose_crumbs": ("Crumbs of hose were found.", ("replace_hose",)),
}
SWARF_REMEDY = "Open the next filter with a knife or shears, pick out bright curled chips, and look again."
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

# By kind, what it looks like and how to find out; no flame near any of it.
KIND_TESTS = {
    "rust": "rust. Test: a magnet under the paper drags rust scale along. If it does, look into the tank for "
    "rust and for where water gets in.",
    "swarf": "cut metal. Test: bright curled edges under a glass, and was the filter sawn open? Chips "
    "from opening it are no debris; report others as cut metal.",
    "bright_metal": "bright metal. Test: a magnet tells steel from aluminium and brass; shiny flakes that "
    "keep coming mean something is wearing.",
    "white_corrosion": "white corrosion. Test: it crushes to powder under a nail. If it does, look for "
    "standing water.",
    "green_corrosion": "green corrosion. Test: look for green on brass fittings and jets.",
    "grit": "sand or grit. Test: it crunches between two coins. If so, it came in by cap, can or funnel.",
    "plant": "plant pieces. Test: they tear and flatten under a nail. If so, look at cap, can and funnel.",
    "rubber": "rubber. Test: squeeze a piece; rubber springs back. If it does, report hose crumbs and look "
    "inside the hose ends.",
    "gum": "gum. Test: it smears, and a drop of carburettor cleaner on a swab dissolves it. If so,"
    " report gum.",
    "soot": "soot. Test: it smears black on paper and has no grain.",
    "fibre": "fibres or hair. Test: pull one with tweezers; cloth and paper threads came from wiping or "
    "from a paper element.",
    "clear_plastic": "clear plastic. Test: it bends without breaking under a needle; look at the can's spout "
    "and cap seal.",
    "filter_paper": "filter paper. Test: hold it against the cut edge of the element. If it matches, leave "
    "it out and photograph again.",
}

LOOK_FIRST = "Nobody has said yet whether there is water or stale fuel: look before closing up."
RETAINED_CAUTION = (
    "This debris is what the filter stopped. Finer debris mostly went through it and is missing here."
)
FINER_CAUTION = (
    "Flow test: outdoors, engine cold, into a vented container; tank cap shut first, then cracked open. If "
    "it runs better with the cap open, the cap's vent is the fault and not the filter.",
    "On marine, outboard and injection engines only the maker's filter is right; never restrict the flow "
    "ahead of a high-pressure pump.",
)
ALWAYS_CAUTION = (
    "Fuel vapour burns: work outdoors, away from flames, sparks and hot engines, and photograph only when no "
    "fuel can be smelt.",
    "Cut metal and opened filters have sharp edges: wear gloves.",
    "Collect waste fuel, rags and filters in closed containers and hand them in as your local rules say.",
    "This is a photo check, not a laboratory test.",
)


def either_size(um: float) -> str:
    """Return a size in microns and in inches, as the trade writes both: 75 um (0.003 in)."""
    return f"{um:.0f} um ({inches(um)} in)"


def pieces(count: int) -> str:
    """Return "1 piece" or "41 pieces"."""
    return f"{count} piece{'' if count == 1 else 's'}"


def element_words(element: str) -> str:
    """Return what an element is called in a sentence."""
    return "screen" if element == "screen" else "paper element"
