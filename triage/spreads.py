"""Spreads: which photos show the same debris, and what of each photo counts.

Photos of one spread are fused into one picture and measured once; where that cannot be, the better one
counts. Different spreads are added up. No piece is counted twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import Calibration
from calibration.sharpness import FWHM_PER_SIGMA
from triage.debris.fuse import Fused, Landmarks, View, fuse
from triage.debris.measure import cut_window, measure_debris
from triage.debris.register import UNMOVED, Layout, Match, after, inverse, match, pairs_of
from triage.debris.tabulate import Debris
from triage.debris.two_level import is_two_level

Array = NDArray[np.float64]
Links = dict[tuple[int, int], Match]

STILL = 0.8  # of the clear pieces lie where they lay: the debris was not disturbed between the photos
WHOLE = 0.9  # of the window in both photos
SOFTER = 1.25  # times the best photo's blur: such a photo would only soften the picture
NO_WORSE = 1.06  # of the best photo, whose blur was read as the least by luck too
FEWEST_TOLD, FEWEST_TOLD_PLAIN = 6, 10  # pieces on a card and without, to recognise a spread by for sure


@dataclass(frozen=True)
class Shot:
    """One measured photo."""

    file: str
    sha256: str
    rgb: NDArray[np.uint8]
    calibration: Calibration
    debris: Debris


@dataclass(frozen=True)
class Part:
    """What became of one photo.

    `use`: "measured" (the pieces of `debris` are its own), "fused" (it went into the picture of the photo
    `debris` of which was measured instead) or "repeat" (another photo of the spread counts).
    """

    spread: int  # from 1
    use: str
    note: str
    debris: Debris | None = None


@dataclass(frozen=True)
class _Member:
    """A photo of a spread: `match` tells how it lies over the best photo, None for that one itself."""

    index: int
    match: Match | None
    copy: bool = False


def gather(shots: Sequence[Shot]) -> tuple[Part, ...]:
    """Tell what each photo adds to the sample, in the order given."""
    links = _links(shots)
    spreads = _spreads(shots, links)
    parts: dict[int, Part] = {}
    for number, members in enumerate(spreads, 1):
        parts.update(_counted(shots, members, number))
    _drop_stuck(shots, links, parts)
    if len(spreads) > 1:
        for members in spreads:
            if len(members) == 1:
                index = members[0].index
                parts[index] = replace(parts[index], note=_own_spread(shots[index], parts[index]))
    return tuple(parts[index] for index in range(len(shots)))


def _links(shots: Sequence[Shot]) -> Links:
    """Every pair of photos in which more pieces agree than chance explains."""
    found = {}
    layouts = [_layout(shot) for shot in shots]
    for a, b in combinations(range(len(shots)), 2):
        on_card = shots[a].calibration.frame is not None and _frame(shots[a]) == _frame(shots[b])
        link = match(layouts[a], layouts[b], on_card=on_card)
        if link is not None:
            found[a, b] = link
    return found


def _frame(shot: Shot) -> tuple[str, int] | None:
    frame = shot.calibration.frame
    return None if frame is None else (frame.name, frame.number)


def _layout(shot: Shot, rows: NDArray[np.bool_] | None = None) -> Layout:
    """The pieces that lie whole in the window, or those of `rows`."""
    table = shot.debris.table
    table = table[table["weight"] > 0] if rows is None else table[rows]
    return Layout(
        np.column_stack([table["x_mm"], table["y_mm"]]),
        table["ecd_um"].astype(float),
        shot.calibration.plane.to_mm(shot.calibration.window_px),
        shot.debris.limits.smallest_sized_um,
        shot.debris.limits.blur_fwhm_um,
    )


def _spreads(shots: Sequence[Shot], links: Links) -> list[list[_Member]]:
    """Photos gathered by spread, the best photo of each first; spreads in the order of their first photo."""
    free = sorted(range(len(shots)), key=lambda index: shots[index].debris.limits.smallest_sized_um)
    spreads = []
    while free:
        members = [_Member(free.pop(0), None)]
        for member in members:  # grows while it is walked: a chain of overlapping photos is one spread
            for index in list(free):
                found = _joined(shots, links, member, index)
                if found:
                    members.append(found)
                    free.remove(index)
        spreads.append(members)
    return sorted(spreads, key=lambda members: min(member.index for member in members))


def _joined(shots: Sequence[Shot], links: Links, member: _Member, index: int) -> _Member | None:
    if shots[member.index].sha256 == shots[index].sha256:
        return _Member(index, member.match, copy=True)
    link = links.get((member.index, index))
    if link is None and (index, member.index) in links:
        link = links[index, member.index]
        link = replace(link, move=inverse(link.move))
    if link is None or not link.same:
        return None
    if member.match is None:
        return _Member(index, link)
    # Seen over a photo between: it was not compared with the best one as a whole.
    return _Member(index, replace(link, move=after(member.match.move, link.move), overlap=0.0))


def _counted(shots: Sequence[Shot], members: list[_Member], number: int) -> dict[int, Part]:
    """What each photo of one spread adds."""
    best, *others = members
    fit = sorted((each for each in others if _fits(shots, best, each)), key=lambda each: each.index)
    tried = _fused(shots, best, fit) if fit else ""
    fused = None if isinstance(tried, str) else tried
    files = [shots[member.index].file for member in fit]
    debris = fused[1] if fused else shots[best.index].debris
    note = _how_fused(files, fused[0], shots[best.index].calibration) if fused else ""
    parts = {best.index: Part(number, "measured", note, debris)}
    name = shots[best.index].file
    for member in others:
        if fused and member in fit:
            parts[member.index] = Part(number, "fused", f"{_again(name, member)} Fused with it.")
        elif member.copy:
            parts[member.index] = Part(
                number, "repeat", "The same file as another one given, so not counted again."
            )
        elif member.match and member.match.overlap < WHOLE:
            parts[member.index] = _rest(shots, member, parts, members, number)
        else:
            reason = tried if isinstance(tried, str) and member in fit else _why_not(shots, best, member)
            why = f"Not fused, because {reason}: {name} counts."
            parts[member.index] = Part(number, "repeat", f"{_again(name, member)} {why}")
    return parts


def _fits(shots: Sequence[Shot], best: _Member, member: _Member) -> bool:
    if member.match is None or member.copy or member.match.overlap < WHOLE:
        return False
    return member.match.share >= STILL and not _softer(shots, best, member)


def _softer(shots: Sequence[Shot], best: _Member, member: _Member) -> bool:
    blur, least = (shots[each.index].debris.limits.blur_fwhm_um for each in (member, best))
    return blur > SOFTER * least


def _why_not(shots: Sequence[Shot], best: _Member, member: _Member) -> str:
    return "it is softer" if _softer(shots, best, member) else "some pieces moved between the photos"


def _fused(shots: Sequence[Shot], best: _Member, fit: list[_Member]) -> tuple[Fused, Debris] | str:
    """Fuse and measure; or say why that is not done."""
    shot = shots[best.index]
    if is_two_level(cut_window(shot.rgb, shot.calibration.window_px).rgb):
        return "it is exact already"
    views = [View(shot.rgb, shot.calibration, UNMOVED)]
    for member in fit:
        assert member.match is not None
        other = shots[member.index]
        # On a card that was not moved the marks are surer than the pieces.
        views.append(View(other.rgb, other.calibration, member.match.move))
    fused = fuse(views, _landmarks(shot))
    if fused.lamps_apart and shot.calibration.frame is None:
        return "the lamp was moved, and only the card's marks tell a moved shadow from a moved photo"
    debris = _in_photo(measure_debris(fused.rgb, fused.calibration), fused)
    one, own = debris.limits, shot.debris.limits
    # Shadows move sizes more than blur does; of coarse pixels the single photo's limit is a guess.
    other_gain = fused.lamps_apart or fused.finer > 1
    fainter = one.smallest_seen_faint_um < own.smallest_seen_faint_um
    no_worse = one.smallest_sized_um <= NO_WORSE * own.smallest_sized_um
    return (fused, debris) if other_gain or (fainter and no_worse) else "nothing would be gained"


def _landmarks(shot: Shot) -> Landmarks:
    table = shot.debris.table[shot.debris.table["weight"] > 0]
    scale = shot.calibration.um_per_px
    return Landmarks(
        np.column_stack([table["x_px"], table["y_px"]]),
        table["feret_max_um"] / 2 / scale,
        shot.debris.limits.blur_fwhm_um / FWHM_PER_SIGMA / scale,
    )


def _in_photo(debris: Debris, fused: Fused) -> Debris:
    """Places in the fused picture to places in the photo that it was laid over."""
    table = debris.table.copy()
    at = fused.in_first(np.column_stack([table["x_px"], table["y_px"]]))
    table["x_px"], table["y_px"] = at.T
    outlines = tuple(fused.in_first(outline).astype(np.float32) for outline in debris.outlines)
    return replace(debris, table=table, outlines=outlines)


def _rest(
    shots: Sequence[Shot], member: _Member, parts: dict[int, Part], members: list[_Member], number: int
) -> Part:
    """The pieces of an overlapping photo that no other photo of its spread has counted yet."""
    shot = shots[member.index]
    moves = {each.index: each.match.move if each.match else UNMOVED for each in members}
    again = np.zeros(len(shot.debris.table), bool)
    for index, part in parts.items():
        if part.debris is None:
            continue
        other = replace(shots[index], debris=part.debris)
        move = after(inverse(moves[index]), moves[member.index])
        pairs = pairs_of(_layout(other, np.ones(len(part.debris.table), bool)), _layout(shot, ~again), move)
        again[np.flatnonzero(~again)[pairs[:, 1]]] = True
    note = (
        f"Part of the spread in {shots[members[0].index].file}: {int(again.sum())} pieces seen before "
        "count once."
    )
    return Part(number, "measured", note, _without(shot.debris, again))


def _without(debris: Debris, again: NDArray[np.bool_]) -> Debris:
    kept = np.flatnonzero(~again)
    return replace(debris, table=debris.table[kept], outlines=tuple(debris.outlines[row] for row in kept))


def _drop_stuck(shots: Sequence[Shot], links: Links, parts: dict[int, Part]) -> None:
    """Pieces that lie at the same place of the card in two spreads are stuck to it: they count once."""
    for (a, b), link in links.items():
        first, second = parts[a].debris, parts[b].debris
        if link.same or first is None or second is None:
            continue
        lain, found = (
            _layout(replace(shots[index], debris=debris), np.ones(len(debris.table), bool))
            for index, debris in ((a, first), (b, second))
        )
        again = np.zeros(len(second.table), bool)
        again[pairs_of(lain, found, link.move)[:, 1]] = True
        parts[b] = replace(parts[b], debris=_without(second, again))


def _again(name: str, member: _Member) -> str:
    assert member.match is not None
    seen = f"{member.match.again} of {member.match.comparable} clear pieces lie where they lie there"
    return f"The same spread as {name}: {seen}."


def _how_fused(files: list[str], fused: Fused, own: Calibration) -> str:
    listed = f"{len(files)} others" if len(files) > 2 else " and ".join(files)
    shadows = " The lamp was moved, so cast shadows are cancelled." if fused.lamps_apart else ""
    noise = [100 * each.noise.sd_rel for each in (own, fused.calibration)]
    grid = " It has twice the photo's pixels each way, since those are coarse." if fused.finer > 1 else ""
    fell = f" Noise on the paper went from {noise[0]:.2g} to {noise[1]:.2g} %." if noise[1] < noise[0] else ""
    return f"Measured in one picture made of this photo and {listed}, the same spread.{shadows}{grid}{fell}"


def _own_spread(shot: Shot, part: Part) -> str:
    fewest = FEWEST_TOLD_PLAIN if shot.calibration.frame is None else FEWEST_TOLD
    if len(shot.debris.table) < fewest:
        return "Too few pieces to tell whether another photo shows the same spread: counted on its own."
    stuck = len(shot.debris.table) - (len(part.debris.table) if part.debris else 0)
    told = f" {stuck} of them lie just where pieces of another photo lie and count once." if stuck else ""
    return f"A spread of its own: its pieces lie as in no other photo; added up.{told}"
