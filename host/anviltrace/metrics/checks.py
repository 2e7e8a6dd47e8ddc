"""Checks of a run as a whole: each gives the words of its flag, or nothing. What they mean: ``flagtable``."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from anviltrace.capture.onset import EARLY_RELEASE_S
from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.figures import rounded
from anviltrace.metrics.flagtable import DOUBTFUL, FLAGS
from anviltrace.metrics.quality import Raised
from anviltrace.metrics.strikes import (
    FEW_SAMPLES,
    LEAST_OVER_NOISE,
    MOST_RING_LEFT,
    singles,
)
from anviltrace.records import Duty, RigKind, RunKind, RunState, Start
from anviltrace.trace.blows import LEAST_FOR_PARABOLA
from anviltrace.trace.hum import LEAST_S, mains_hum

LEVEL_OF_NOTHING, LEVEL_OF_SOMETHING = 0.03, 0.05
"""Shares of the peaks: below the first a held rig keeps nothing, above the second others keep something."""
NOT_SLACK = 0.02
STILL_KEPT = 0.05
"""Share of its torque below which a joint that was loosened is free."""
ZERO_MOVED = 0.01
MANY_MISSED, LEAST_MANY = 0.05, 3
PARTIAL = 0.5
LEAST_ON_WIDE_S = 0.02
MOST_RING = 0.1
"""Share of a blow still ringing above which its level tells nothing about the kind of rig."""
_CUT_S, _CUT_LEVEL_S = 0.003, 0.025
_CUT_SHARE = 0.2
_FOLLOWING = 5
_LEAST_BLOWS = 3
_HUM_S = 2.0
_OF_NOTICES = ("doubtful", "link", "error", "burst")
"""Kinds of notices that matter to whoever reads the numbers."""


def raised(a: Analysis) -> list[Raised]:
    """Every flag that the run raises, the heaviest first."""
    found = [
        Raised(name, text) for name in FLAGS if name in _CHECKS for text in _texts(_CHECKS[name](a)) if text
    ]
    return list(dict.fromkeys(found))


def _texts(told: str | Iterable[str]) -> Iterable[str]:
    return (told,) if isinstance(told, str) else told


def _no_blows(a: Analysis) -> str:
    return "" if a.slow else a.no_blows


def _one_blow(a: Analysis) -> str:
    return "" if a.blows is None else a.no_window


def _not_struck(a: Analysis) -> str:
    return a.no_window if a.slow else ""


def _uncalibrated(a: Analysis) -> str:
    return f"torque is withheld: {a.uncalibrated}" if a.uncalibrated else ""


def _interrupted(a: Analysis) -> str:
    run = a.facts.context.run
    return "" if run.state is RunState.FINISHED else f"the run was interrupted: {run.end_reason}"


def _missing_samples(a: Analysis) -> str:
    missing = int(np.count_nonzero(a.signal.missing))
    return f"{missing} of {len(a.signal.values)} samples are missing" if missing else ""


def _wide_step(a: Analysis) -> str:
    """A converter that stands still on a wide code shows no plateau of the joint."""
    steps, rate_hz = a.facts.steps, a.signal.rate_hz
    if steps is None:
        return ""
    pieces = [steps.samples_on_wide(counts, rate_hz) for _, counts in a.facts.pieces]
    there_s = sum(sum(piece.values()) for piece in pieces) / rate_hz
    zeros = (a.facts.zero_before, a.facts.zero_after)
    on_zero = any(zero is not None and steps.wide_at(zero.mean_counts) is not None for zero in zeros)
    if there_s < LEAST_ON_WIDE_S and not on_zero:
        return ""
    where = [f"{there_s:.2f} s of the run"] if there_s >= LEAST_ON_WIDE_S else []
    where += ["a zero reading"] if on_zero else []
    width = (
        0.5 * steps.width / (abs(a.scale.counts_per_nm(a.signal.rotation)) if a.signal.calibrated else 1.0)
    )
    return (
        f"a wide code of the converter stands for a level: {' and '.join(where)}, which may be off by "
        f"{_torque(a, width)} and looks steadier than it is"
    )


def _zero_missing(a: Analysis) -> str:
    if a.zero is None or not a.zero.missing:
        return ""
    return f"there is no zero reading {a.zero.missing} the run: what the zero moved is not known"


def _zero_unsteady(a: Analysis) -> str:
    if a.zero is None or not a.zero.unsteady:
        return ""
    return f"the zero reading {a.zero.unsteady} the run was not at rest: let the joint settle first"


def _zero_moved(a: Analysis) -> str:
    if a.zero is None or not a.signal.calibrated:
        return ""
    moved_nm = 2.0 * a.zero.half_width_counts / abs(a.scale.counts_per_nm(a.signal.rotation))
    if moved_nm <= ZERO_MOVED * float(np.abs(a.signal.values).max()):
        return ""
    return f"the zero moved during the run: by {_torque(a, moved_nm)}, half of which is in every torque"


def _kind_of_rig(a: Analysis) -> str:
    """The declared kind rules; data that contradict it are told."""
    if a.blows is None or len(a.blows) < _LEAST_BLOWS or a.ring_left > MOST_RING:
        return ""
    kept = a.blows.level_after[-max(_LEAST_BLOWS, len(a.blows) // 3) :]
    before, after, peak = float(a.blows.level_before[0]), float(np.nanmedian(kept)), _usual_peak(a)
    kind, about = a.facts.context.rig.kind, f"the data contradict the kind of rig: it is declared {_kind(a)}"
    if kind is not RigKind.HELD:
        if after - before <= LEVEL_OF_SOMETHING * peak:
            return ""
        return f"{about}, and {_torque(a, after - before)} stay after the blows, as on a held one"
    if a.works_against_joint:
        preset = a.facts.context.plan is not None and a.facts.context.plan.start is Start.PRESET
        nothing = preset and abs(before) < LEVEL_OF_NOTHING * peak
        return f"{about} and the joint preset, and nothing is kept before the first blow" if nothing else ""
    if after >= LEVEL_OF_NOTHING * peak:
        return ""
    return f"{about}, and nothing is kept after the blows: is the nut locked to what is measured?"


def _not_slack(a: Analysis) -> str:
    plan, stretch = a.facts.context.plan, _before_drive(a)
    if plan is None or plan.start is not Start.SLACK or a.zero is None or not a.signal.calibrated:
        return ""
    if a.blows is None or stretch.size < 2:
        return ""
    level = abs(float(np.median(stretch)))
    noise = a.signal.noise_of_mean(stretch.size)
    if level <= max(NOT_SLACK * _usual_peak(a), LEAST_OVER_NOISE * noise):
        return ""
    return f"the joint was not slack: {_torque(a, level)} stand before the first blow"


def _early_release(a: Analysis) -> str:
    """When loosening, only where the joint still keeps torque: one that is free ends the blows as well."""
    early_s = _early_s(a)
    if early_s is None:
        return ""
    if _loosens(a) and (a.facts.context.rig.kind is not RigKind.HELD or _is_free(a)):
        return ""
    return f"early release: blows ended {early_s:.2f} s before the signal"


def _came_loose(a: Analysis) -> str:
    early_s = _early_s(a)
    if early_s is None or not _loosens(a):
        return ""
    if a.facts.context.rig.kind is not RigKind.HELD:
        return (
            f"blows ended before the signal: by {early_s:.2f} s; the joint came loose, or the trigger was "
            "let go early, which this kind of rig does not show"
        )
    return f"the joint came loose before the signal: by {early_s:.2f} s" if _is_free(a) else ""


def _cut_blow(a: Analysis) -> str:
    if a.blows is None:
        return ""
    begins = sum(_begins_in_blow(a, first - a.signal.first_index) for first, _ in a.facts.pieces)
    cut = begins + sum(a.cut)
    return f"a blow is cut by an end of the record or a gap, and left out: {cut}" if cut else ""


def _begins_in_blow(a: Analysis, first: int) -> bool:
    assert a.blows is not None
    rate_hz = a.signal.rate_hz
    end = first + max(2, round(_CUT_S * rate_hz))
    level_end = first + round(_CUT_LEVEL_S * rate_hz)
    start_s = a.blows.start_s[a.blows.start_s * rate_hz >= first]
    if start_s.size:
        level_end = min(level_end, int(start_s[0] * rate_hz))
    if level_end - end < end - first:
        return False
    height = float(a.signal.values[first:end].max() - np.median(a.signal.values[end:level_end]))
    least = max(LEAST_OVER_NOISE * a.signal.noise_sd, _CUT_SHARE * float(np.nanmedian(a.blows.net_peak)))
    return height > least


def _many_missed(a: Analysis) -> str:
    missed, whole = _missed_of(a)
    if not _are_many(missed, whole):
        return ""
    return f"many blows seem missed: {missed} of {whole}"


def _missed_blows(a: Analysis) -> str:
    missed, whole = _missed_of(a)
    if not missed or _are_many(missed, whole):
        return ""
    return f"blows that seem missed (gaps of more than 1.5 intervals): {missed} of {whole}"


def _are_many(missed: int, whole: int) -> bool:
    return missed >= LEAST_MANY and missed > MANY_MISSED * whole


def _double_blows(a: Analysis) -> str:
    doubles = a.rhythm.doubles if _has_blows(a) else 0
    return f"double strikes, counted once: {doubles}" if doubles else ""


def _weak_blows(a: Analysis) -> str:
    if not _has_blows(a):
        return ""
    assert a.blows is not None
    weakest = float(np.nanmin(a.blows.net_peak[singles(a)]))
    if weakest >= LEAST_OVER_NOISE * a.signal.noise_sd:
        return ""
    return f"the weakest blow hardly rises above the noise: {weakest / a.signal.noise_sd:.0f} times"


def _rings_on(a: Analysis) -> str:
    if a.blows is None or a.ring_left <= MOST_RING_LEFT:
        return ""
    return "the rig rings on from blow to blow, so that some may be missed or made up"


def _undersampled(a: Analysis) -> str:
    return FEW_SAMPLES if _has_blows(a) and 0.0 < a.samples_per_base < LEAST_FOR_PARABOLA else ""


def _partial_first(a: Analysis) -> str:
    if a.blows is None or len(a.blows) <= _LEAST_BLOWS:
        return ""
    share = float(a.blows.net_peak[0] / np.nanmedian(a.blows.net_peak[1 : 1 + _FOLLOWING]))
    if not share < PARTIAL:
        return ""
    return f"the first blow is partial: {100.0 * share:.0f} % of the height of the next; times count from it"


def _knocks(a: Analysis) -> str:
    return f"knocks before the tool set in, left out: {a.knocks}" if a.knocks else ""


def _hum(a: Analysis) -> str:
    stretch = _before_drive(a)
    if stretch.size < LEAST_S * a.signal.rate_hz:
        return ""
    found = mains_hum(stretch, a.signal.rate_hz)
    if found is None:
        return ""
    return f"mains hum: {_torque(a, found.amplitude)} at {found.base_hz:g} Hz and its multiples"


def _slow(a: Analysis) -> str:
    return a.no_blows if a.slow else ""


def _notices(a: Analysis) -> list[str]:
    """Those that matter; early release is told from the blows where they are seen."""
    kinds = _OF_NOTICES if a.blows is not None else (*_OF_NOTICES, "early release")
    notices = [notice for notice in a.facts.context.notices if notice.kind in kinds]
    return [f"{notice.kind}: {notice.text.strip()}" for notice in notices]


def _doubtful(a: Analysis) -> list[str]:
    return [] if _is_import(a) else _doubts(a)


def _imported(a: Analysis) -> list[str]:
    return _doubts(a) if _is_import(a) else []


def _doubts(a: Analysis) -> list[str]:
    return [doubt for sign in a.signs for doubt in a.facts.doubts.get(sign, ())]


def _is_import(a: Analysis) -> bool:
    return a.facts.context.run.kind is RunKind.IMPORT


def _has_blows(a: Analysis) -> bool:
    return a.blows is not None and a.window is not None


def _missed_of(a: Analysis) -> tuple[int, int]:
    """Blows that seem missed, and how many there would be with them."""
    if not _has_blows(a):
        return 0, 0
    return a.rhythm.missed, int(singles(a).sum()) + a.rhythm.missed


def _usual_peak(a: Analysis) -> float:
    assert a.blows is not None
    return float(np.nanmedian(a.blows.net_peak))


def _kind(a: Analysis) -> str:
    return a.facts.context.rig.kind.value


def _torque(a: Analysis, along: float) -> str:
    return f"{float(rounded(along, 2)):,.10g} {'N·m' if a.signal.calibrated else 'counts'}"


def _before_drive(a: Analysis) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The first half of what was recorded before time zero, 2 s at most: there the tool is still."""
    if a.window is None:
        return np.empty(0)
    end = round(min(0.5 * a.window.start_s, _HUM_S) * a.signal.rate_hz)
    return np.asarray(a.signal.values[:end])


def _loosens(a: Analysis) -> bool:
    plan = a.facts.context.plan
    return plan is not None and plan.duty is Duty.LOOSENING


def _is_free(a: Analysis) -> bool:
    """Whether a held joint keeps next to nothing of what it kept before the first blow."""
    assert a.blows is not None
    left = a.blows.level_after[np.isfinite(a.blows.level_after)]
    return bool(left.size) and abs(float(left[-1])) < STILL_KEPT * abs(float(a.blows.level_before[0]))


def _early_s(a: Analysis) -> float | None:
    """By how much the blows ended before the signal to release, seconds, where that matters; else None."""
    release = a.facts.context.run.release_index
    if a.blows is None or release is None:
        return None
    early_s = (release - a.signal.first_index) / a.signal.rate_hz - float(a.blows.apex_s[-1])
    return early_s if early_s > EARLY_RELEASE_S else None


_CHECKS: dict[str, Callable[[Analysis], str | Iterable[str]]] = {
    "no_blows": _no_blows,
    "not_struck": _not_struck,
    "uncalibrated": _uncalibrated,
    "interrupted": _interrupted,
    "missing_samples": _missing_samples,
    "clipped": lambda a: a.clipped_flag,
    "wide_step": _wide_step,
    "no_zero": lambda a: a.no_zero,
    "zero_missing": _zero_missing,
    "zero_unsteady": _zero_unsteady,
    "zero_moved": _zero_moved,
    "kind_of_rig": _kind_of_rig,
    "not_slack": _not_slack,
    "early_release": _early_release,
    "cut_blow": _cut_blow,
    "one_blow": _one_blow,
    "many_missed": _many_missed,
    "weak_blows": _weak_blows,
    "rings_on": _rings_on,
    DOUBTFUL: _doubtful,
    "imported": _imported,
    "notices": _notices,
    "undersampled": _undersampled,
    "rings_otherwise": lambda a: a.rings_otherwise,
    "came_loose": _came_loose,
    "missed_blows": _missed_blows,
    "double_blows": _double_blows,
    "partial_first": _partial_first,
    "knocks": _knocks,
    "hum": _hum,
    "slow": _slow,
}
"""The check of each flag; that of the rig's resonance is told at peaks and widths."""
