"""What the calibration commands say about a calibration's past and present, as data and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.choose import Candidate


def past_and_present(archive: Archive, everything: Sequence[Candidate], one: Candidate) -> dict[str, Any]:
    """The change since the calibration before it, and doubts where it is the one in use.

    Raises CalibrationError when it gives no line.
    """
    from anviltrace.calibration.history import change_since_previous, is_latest
    from anviltrace.capture.doubts import doubts
    from anviltrace.records import now_utc

    change = change_since_previous(everything, one)
    latest = is_latest(everything, one)
    return {
        "in_use": latest,
        "second_arm_of": one.side_of or None,
        "since_previous": change
        and {
            "earlier": change.earlier_id,
            "earlier_taken_at": change.earlier_taken_at,
            "as_found_percent": 100.0 * change.change,
            "expanded_percent": 100.0 * change.expanded,
            "coverage": 0.95,
            "en": change.en,
            "agrees": change.agrees,
            "in_common": list(change.in_common),
        },
        "doubts": doubts(archive, one, now_utc()) if latest else [],
    }


def sentences(facts: dict[str, Any]) -> list[str]:
    """The same in words, a line each."""
    found = []
    if whole_id := facts["second_arm_of"]:
        found.append(f"the series with a second arm beside {whole_id[:8]}; no run takes it")
    if change := facts["since_previous"]:
        verdict = "agrees" if change["agrees"] else "DOES NOT AGREE"
        found.append(
            f"as found, {change['earlier'][:8]} of {change['earlier_taken_at'][:10]} would have read "
            f"{change['as_found_percent']:+.2f} % ± {change['expanded_percent']:.2f} % off: "
            f"E_n {change['en']:.2f}, {verdict}"
        )
    return found + [f"DOUBTFUL: {doubt}" for doubt in facts["doubts"]]
