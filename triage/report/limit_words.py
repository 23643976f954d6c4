"""The photo's limits in words, and how they fared on discs drawn into its own paper."""

from __future__ import annotations

from triage.analysis import Limits
from triage.debris.limits import Proof, Trial
from triage.report import words


def limit_lines(limits: Limits) -> list[str]:
    """Say what can be seen and sized, and how that was proved, a sentence or two each."""
    dark = _from(limits.smallest_seen_um, limits.smallest_sized_um)
    faint = _from(limits.smallest_seen_faint_um, limits.smallest_sized_faint_um)
    blur = words.size(limits.blur_fwhm_um)
    return [
        f"A dark piece is {dark}, a faint one {faint}; blur {blur} at half height.",
        *([_proved(limits.proved)] if limits.proved else []),
    ]


def _from(seen_um: float | None, sized_um: float | None) -> str:
    seen, sized = (None if um is None else words.size(um) for um in (seen_um, sized_um))
    if seen is None:
        return "not seen in this photo, whatever its size"
    return f"seen from {seen} and {f'sized from {sized}' if sized else 'at no size sized in this photo'}"


def _proved(proof: Proof) -> str:
    if proof.why_not:
        return f"These limits are computed, not proved: {proof.why_not}."
    trials = [(name, trial) for name, trial in (("dark", proof.dark), ("faint", proof.faint)) if trial]
    if not trials:
        return "These limits are computed, not proved: nothing of that contrast shows."
    told = "; ".join(f"{name} {_came(trial)}" for name, trial in trials)
    raised = [name for name, trial in trials if {trial.seen_raised, trial.sized_raised} != {1.0}]
    said = f" Limits for {words.listed(raised)} ones were raised after that trial." if raised else ""
    besides = f"; {proof.false_finds} found that nobody drew" if proof.false_finds else ""
    return (
        f"Tried with {trials[0][1].drawn} discs of each kind drawn at the limits into this photo's bare "
        f"paper: {told}{besides}.{said}"
    )


def _came(trial: Trial) -> str:
    found = f"{100 * trial.found_share:.0f} % found"
    if trial.bias is None or trial.scatter is None:
        return found
    return f"{found}, sizes {100 * trial.bias:+.0f} ± {100 * trial.scatter:.0f} %"
