"""The three frame sizes laid out in whole printer dots (600 to the inch)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Layout:
    """One frame size in printer dots. sides: what stands along top, bottom, left and right, one sign a cell.

    + cross   / square of slanted edges   2 4 6 line patch   w g b patch   o check dots   . nothing
    """

    window: tuple[int, int]
    margin: tuple[int, int]
    module: int
    marker_inset: int
    border: tuple[int, int]  # gap from the window, stroke
    row_inset: int  # frame edge to the middle of the row of marks
    row_start: int  # frame edge to the row's first cell
    cross: tuple[int, int]
    slant: int
    patch: int
    dot_diameters: tuple[int, ...]
    dot_step: int
    tick: tuple[int, int, int]  # stroke, short, long
    mm_step: float
    thou_step: int
    numerals: int  # text size; 0 for a word in the row's gap instead
    numbered: tuple[int, int]  # every how many mm steps, thou steps a numeral stands
    label: int
    sides: tuple[str, str, str, str]
    clear: int  # paper round a slanted square
    groove: tuple[int, int, int] | None  # gap from the window, width, length
    groove_word: str = ""

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the frame, dots."""
        (w, h), (mx, my) = self.window, self.margin
        return w + 2 * mx, h + 2 * my


WIDE = Layout(
    window=(2362, 1654),
    margin=(331, 331),
    module=24,
    marker_inset=48,
    border=(28, 6),
    row_inset=112,
    row_start=276,
    cross=(60, 6),
    slant=12,
    patch=96,
    dot_diameters=(2, 4, 5, 7, 12),
    dot_step=34,
    tick=(4, 30, 54),
    mm_step=1.0,
    thou_step=30,
    numerals=44,
    numbered=(10, 10),
    label=44,
    sides=("+/246+wgb+ooo/+", "+/ooo+wgb+246/+", "+/wgb+246/+", "+/246+wgb/+"),
    clear=40,
    groove=None,
)
CLOSEUP = Layout(
    window=(708, 472),
    margin=(142, 142),
    module=12,
    marker_inset=14,
    border=(28, 4),
    row_inset=38,
    row_start=126,
    cross=(36, 4),
    slant=5,
    patch=48,
    dot_diameters=(2, 4, 5, 7, 12),
    dot_step=15,
    tick=(2, 12, 20),
    mm_step=0.5,
    thou_step=12,
    numerals=24,
    numbered=(10, 10),
    label=24,
    sides=("+/246+wgb+o/+", "+/o+wgb+246/+", "+/246+o/+", "+.......+"),
    clear=8,
    groove=(38, 60, 360),
    groove_word="blade end or wire",
)
MICRO = Layout(
    window=(232, 164),
    margin=(71, 62),
    module=5,
    marker_inset=5,
    border=(26, 2),
    row_inset=12,
    row_start=52,
    cross=(16, 2),
    slant=2,
    patch=16,
    dot_diameters=(2, 4, 5),
    dot_step=5,
    tick=(2, 5, 8),
    mm_step=0.5,
    thou_step=6,
    numerals=0,
    numbered=(2, 5),
    label=14,
    sides=("+/246+...+o/+", "+/o+...+246/+", "+/bgw+o/+", "+.......+"),
    clear=3,
    groove=(32, 18, 130),
    groove_word="wire",
)
