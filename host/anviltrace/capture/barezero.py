"""The bare transducer, read as it is before a full calibration: does it still rest where it did?

A transducer that was overloaded, or whose gauges come loose, rests somewhere else than before.
"""

from __future__ import annotations

from collections.abc import Sequence

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import why_other_settings
from anviltrace.records import Calibration, LoadStep, Run, Session, Settings, Zero

BARE = "bare rig"
"""What a zero reading of the bare transducer calls the state of the joint."""
_SHIFT = 0.02
"""A shift of more than this share of the highest load asks for a look (common practice, no standard)."""


def bare_zeros(archive: Archive, session_id: str, settings: Settings) -> list[Zero]:
    """Earlier readings of a session's rig when bare, with settings under which a count means the same."""
    rig_id = archive.get(Session, session_id).rig_id
    return [
        zero
        for zero in archive.all(Zero, joint_state=BARE)
        if archive.get(Session, zero.session_id).rig_id == rig_id
        and not why_other_settings(archive.get(Settings, archive.get(Run, zero.run_id).settings_id), settings)
    ]


def bare_before(archive: Archive, calibration: Calibration, steps: Sequence[LoadStep]) -> Zero | None:
    """The last reading of the bare rig in its sitting before the first of the load steps."""
    zeros = archive.all(Zero, session_id=calibration.session_id, joint_state=BARE)
    first = min((step.taken_at for step in steps), default="")
    before = [zero for zero in zeros if zero.taken_at < first]
    return before[-1] if before else None


def compare_bare(
    zero: Zero, earlier: Sequence[Zero], span_counts: float | None, mv_per_v_per_count: float | None
) -> str:
    """What the reading of the bare rig says beside earlier ones, in words.

    ``span_counts`` is the net reading at the highest load of an earlier calibration, None where there is
    none: then a shift is only told.
    """
    reads = f"the bare rig reads {zero.mean_counts:.0f} counts"
    if mv_per_v_per_count is not None:
        reads += f" ({zero.mean_counts * mv_per_v_per_count:+.4f} mV/V)"
    if not earlier:
        return f"{reads}; there is no earlier reading to compare with"
    shift = zero.mean_counts - earlier[-1].mean_counts
    since = earlier[-1].taken_at[:10]
    if span_counts is None:
        return f"{reads}, {shift:+.0f} counts since {since}; no calibration says how much that is"
    share = abs(shift / span_counts)
    if share <= _SHIFT:
        return f"{reads}, {100.0 * share:.2f} % of the highest load from {since} (limit {100.0 * _SHIFT:g} %)"
    return (
        f"THE BARE RIG HAS MOVED by {100.0 * share:.1f} % of the highest load since {since} (limit "
        f"{100.0 * _SHIFT:g} %): overload or damage? Look at gauges, wiring and shaft before hanging"
    )
