"""The small print: the sample, the scale, limits and uncertainty, and what the words and ratings mean."""

from __future__ import annotations

import numpy as np

from triage.analysis import Analysis, PhotoResult, Sample, Scale
from triage.report import words
from triage.report.content import by_rating, sized
from triage.report.grounds import ground_lines, lookalike_lines
from triage.report.limit_words import limit_lines

DEFINITIONS = (
    "A share is of the pieces this photo could size, by the clean-cut opening they just pass: fibres by "
    "width, others by the narrowest side.",
    "Intervals are 95 %; none where few pieces decide. Volume is estimated from outlines, not weighed.",
    "Kinds are looks, learnt on rendered pictures; confirm by magnet or squeeze.",
)

UNEQUAL_PRINT = (
    "The print of card no. {number} is {off:.1f} % longer {way}, more than printers do by themselves: halved "
    "between both sides here, and the ± widened by it. Print the card again at 100 %, or measure its bars."
)
MISREAD_PRINT = (
    "The print of card no. {number} is {off:.1f} % longer {way} than its caliper readings say: were they "
    "entered the wrong way round, or is it another printer's card? The ± is widened: measure its bars again."
)
UNMEASURED_PRINT = (
    "The print of card no. {number} was never checked with a caliper; the ± of its scale holds for a print "
    "at 100 %. Printed to fit the page, all sizes would read 3 to 6 % too large, and no photo shows it. "
    "Measure its two long bars once and enter them: triage card --number {number} --measured X,Y."
)


def measured_how(analysis: Analysis) -> list[str]:
    """Return where the sample came from, scale, limits and uncertainty, a sentence or two each."""
    lines = dict.fromkeys(
        line for photo in analysis.photos for line in (*_photo_lines(photo), *ground_lines(photo, analysis))
    )
    return [*_sample_lines(analysis), *lines, *_size_uncertainty(analysis), *lookalike_lines(analysis)]


def small_print(analysis: Analysis) -> list[str]:
    """Return the small print in paragraphs: how it was measured, what ratings mean, what the words mean."""
    made_by = f"Program {analysis.program_version}, method {analysis.method_version}."
    paragraphs = (measured_how(analysis), meanings(analysis), [*DEFINITIONS, made_by])
    return [" ".join(sentences) for sentences in paragraphs if sentences]


def meanings(analysis: Analysis) -> list[str]:
    """Return what each measurable rating can mean, one sentence a meaning."""
    gathered: dict[str, list[str]] = {}
    for row in by_rating(analysis):
        if row.measurable:
            gathered.setdefault(row.band.meaning, []).append(words.rating(row))
    return [words.typeset(f"{words.listed(um)} µm: {meaning}.") for meaning, um in gathered.items()]


def _photo_lines(photo: PhotoResult) -> list[str]:
    lines = []
    scale, limits = photo.scale, photo.limits
    when = f", taken {photo.taken_at[:16].replace('T', ' ')}" if photo.taken_at else ""
    if scale:
        source = words.SCALE_WORDS.get(scale.source, scale.source)
        card = f" no. {scale.card_number}" if scale.card_number is not None else ""
        frame = f", {words.FRAME_WORDS.get(scale.frame, scale.frame)}" if scale.frame else ""
        tilt = f"; tilted {scale.tilt_deg:.0f}°" if scale.tilt_deg is not None else ""
        lines.append(
            f"{photo.file}{when}: scale from {source}{card}{frame}, {scale.um_per_px:.4g} µm a pixel, "
            f"±{200 * scale.um_per_px_rel_u:.2g} % (95 %){tilt}."
        )
        lines += _print_lines(scale)
    if limits:
        lines += limit_lines(limits)
    return [*lines, f"{photo.file}: {words.typeset(photo.note)}"] if photo.note else lines


def _print_lines(scale: Scale) -> list[str]:
    """What is to be said of the card's print: unequal, unlike its caliper reading, or never measured."""
    lines = []
    if scale.print_ratio is not None:
        off, longer = 100 * (max(scale.print_ratio, 1 / scale.print_ratio) - 1), scale.print_ratio > 1
        said = MISREAD_PRINT if scale.print_measured else UNEQUAL_PRINT
        way = "along the lying bar than along the standing one"
        if not longer:
            way = "along the standing bar than along the lying one"
        lines.append(said.format(number=scale.card_number, off=off, way=way))
    if scale.print_measured is False:
        lines.append(UNMEASURED_PRINT.format(number=scale.card_number))
    return lines


def _size_uncertainty(analysis: Analysis) -> list[str]:
    rows = sized(analysis)
    if not len(rows):
        return []
    typical = 200 * float(np.nanmedian(rows["ecd_u_um"] / rows["ecd_um"]))
    cut = int(np.count_nonzero(analysis.particles["touches_edge"]))
    lines = [f"Sizes of single pieces: typically ±{typical:.2g} % (95 %)."]
    if cut:
        lines.append(
            f"{words.pieces(cut)} cut by the window's edge: outlined, in no count; others stand for them."
        )
    return lines


def _sample_lines(analysis: Analysis) -> list[str]:
    sample, blank = analysis.sample, analysis.blank
    lines = [text for text in (_sample(sample), _installed(sample), _since(sample)) if text]
    if sample.noticed is not None:
        seen = [name.replace("_", " ") for name in sample.noticed if name != "none"]
        lines.append(f"Noticed at the bench: {words.listed(seen) or 'nothing'}.")
    kept = [
        words.SEASON_WORDS.get(sample.season or "", ""),
        words.STORAGE_WORDS.get(sample.storage or "", ""),
    ]
    if any(kept):
        lines.append(f"{'; '.join(filter(None, kept)).capitalize()}.")
    if analysis.sizes.seen_unsized:
        unsized = analysis.sizes.seen_unsized
        lines.append(f"Seen but too small or too faint to size: {unsized}; they are in no share.")
    if sample.fraction is not None and sample.fraction < 1:
        lines.append(f"Part of the debris that was photographed: {100 * sample.fraction:.0f} %.")
    hidden = 1.0 - min((photo.seen_share for photo in analysis.photos if photo.counted), default=1.0)
    if hidden > 0:
        lines.append(
            f"Up to {100 * hidden:.0f} % of a photo's window was not seen: amounts are scaled up for it, as "
            "if debris lay evenly."
        )
    if blank:
        verdict = "clean enough" if blank.ok else "too dirty: clean the card and repeat"
        counted = f"{words.pieces(blank.count)} on {blank.exposure_cm2:.0f} cm²"
        lines.append(f"Empty card, sheet or paper: {counted}, {verdict}; not subtracted.")
    return lines


def _sample(sample: Sample) -> str:
    came = [words.ORIGIN_WORDS.get(sample.origin or "", ""), words.METHOD_WORDS.get(sample.method or "", "")]
    if sample.volume_ml is not None:
        came.append(f"{sample.volume_ml:g} ml")
    said = ", ".join(part for part in came if part)
    return f"The sample: {said}." if said else ""


def _installed(sample: Sample) -> str:
    rating = f"{words.microns(sample.installed_um)} µm" if sample.installed_um is not None else ""
    element = f"{rating} {sample.element or ''}".strip()
    parts = [part for part in (element, sample.feed and f"{sample.feed} feed", sample.fuel) if part]
    return f"Installed: {', '.join(parts)}.".replace("_", " ") if parts else ""


def _since(sample: Sample) -> str:
    units = (("h", sample.hours), ("months", sample.months), ("litres", sample.litres))
    spent = [f"{value:g} {unit}" for unit, value in units if value is not None]
    return f"{words.listed(spent)} since the last change." if spent else ""
