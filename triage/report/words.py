"""Numbers and names put into words, the same in every output: microns and inches side by side."""

from __future__ import annotations

import re
from collections.abc import Sequence

from triage.debris.confirmed import ENOUGH, Confirmed
from triage.sizing import Passing, Share, inches, um_to_thou

KIND_WORDS = {
    "fibre": "fibre or hair",
    "rust": "rust",
    "bright_metal": "bright metal",
    "white_corrosion": "white corrosion",
    "green_corrosion": "green corrosion",
    "grit": "sand or grit",
    "plant": "plant matter",
    "rubber": "rubber crumb",
    "clear_plastic": "clear plastic",
    "filter_paper": "filter paper",
    "swarf": "metal swarf",
    "soot": "soot",
    "gum": "gum or varnish",
    "unsure": "not clear what it is",
}
ORIGIN_WORDS = {
    "filter": "from the fuel filter",
    "clean_side": "from the clean side of the fuel filter",
    "tank": "from the fuel tank",
    "can": "from the fuel can",
    "bowl": "from the carburettor bowl",
    "fuel": "from a sample of the fuel",
}
METHOD_WORDS = {
    "tipped": "tipped out and dried",
    "filtered": "filtered out of a measured volume",
    "element": "photographed on the element",
}
SEASON_WORDS = {"warm": "warm nights lately", "cold_nights": "nights near freezing or below lately"}
STORAGE_WORDS = {
    "in_use": "in use until now",
    "indoors": "stood under a roof for a month or more",
    "outdoors": "stood in the open for a month or more",
}
SCALE_WORDS = {
    "card": "the printed card",
    "rule": "a rule in the picture",
    "points": "two marked points",
    "stated": "the scale that was stated",
    "scanner": "the scanner's resolution",
    "lens": "a kept lens setting",
}
FRAME_WORDS = {
    "wide": "wide frame",
    "closeup": "close-up frame",
    "micro": "micro frame",
    "cutout": "cut-out frame",
    "cutout_closeup": "cut-out close-up frame",
}


def size(um: float) -> str:
    """Return a length in microns with inches beside it: "75 µm (0.003 in)"."""
    return f"{microns(um)} µm ({inches(um)} in)"


def over(um: float) -> str:
    """Return what a share is a share of: "of pieces over 30 µm"."""
    return f"of pieces over {microns(um)} µm"


def microns(um: float) -> str:
    """Return a length in microns, no unit: as stated if to a tenth, else whole and to three figures."""
    if um < 100 and um == round(um, 1):
        return f"{um:g}"
    value = float(f"{um:.3g}")
    return f"{value:.1f}" if value < 10 else f"{value:,.0f}".replace(",", " " if value >= 10_000 else "")


def rating(row: Passing) -> str:
    """Return a filter's rating as printed on it: "75", or "7-11"."""
    coarse = microns(row.rating_um)
    return coarse if row.finest_um is None else f"{microns(row.finest_um)}-{coarse}"


def thou(um: float) -> str:
    """Return a length in thousandths of an inch to a tenth: 5.9."""
    return f"{um_to_thou(um):.1f}"


def percent(share: float) -> str:
    """Return a share as per cent, never rounding "almost all" up to 100 or "hardly any" down to 0."""
    value = 100 * share
    if 0 < value < 0.05:
        return "under 0.1 %"
    if 99.95 <= value < 100:
        return "over 99.9 %"
    if 0 < value < 0.5 or 99.5 < value < 100:
        return f"{value:.1f} %"
    return f"{value:.0f} %"


def interval(low: float | None, high: float | None) -> str:
    """Return an interval of shares in words: "84 to 92 %"; empty where it is not known."""
    if low is None and high is None:
        return ""
    if low is not None and low == high:
        return percent(low)
    if low is None or low < 0.0005:  # 0.0 to the tenth shown
        return f"at most {percent(high)}" if high is not None and high < 0.9995 else "0 to 100 %"
    if high is None or high >= 0.9995:
        return f"at least {percent(low)}"
    if 100 * low < 1 or 100 * high > 99:
        return f"{100 * low:.1f} to {100 * high:.1f} %"
    return f"{100 * low:.0f} to {100 * high:.0f} %"


def share(value: Share) -> str:
    """Return a share with its interval, or why there is none."""
    if value.share is None:
        return interval(value.low, value.high) or "no share"
    if value.few_pieces_decide:
        return f"{percent(value.share)}; few pieces decide"
    bounds = interval(value.low, value.high)
    return f"{percent(value.share)} ({bounds})" if bounds else percent(value.share)


def pieces(count: int) -> str:
    """Return "1 piece", "no pieces" or "380 pieces"."""
    if count == 1:
        return "1 piece"
    return f"{count:,} pieces".replace(",", " ") if count else "no pieces"


def listed(parts: Sequence[str]) -> str:
    """Join names as a sentence does: "a, b and c"."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else "".join(parts)


def typeset(text: str) -> str:
    """Return text from elsewhere in the program with the micron sign it spells "um"."""
    return re.sub(r"\bum\b", "µm", text)


def forgotten_words(confirmed: Confirmed) -> str:
    """Return what a kind that was taken back leaves."""
    left = len(confirmed.kinds) or "none"
    return f"Forgotten; the piece is again what it looks like. Confirmed at the bench now: {left}."


def learnt_words(confirmed: Confirmed) -> str:
    """Return how far the shop's own pieces are towards being learnt from."""
    count = len(confirmed.kinds)
    if confirmed.enough:
        return f"Learnt. {count} pieces are confirmed; photos from now on heed them."
    return f"Kept. Confirmed so far: {count} of the {ENOUGH} pieces it takes until photos heed them."
