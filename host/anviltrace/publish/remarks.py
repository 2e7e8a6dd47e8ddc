"""What people state about a calibration that no instrument knows: remarks, each about one thing."""

from __future__ import annotations

from collections.abc import Sequence

from anviltrace.records import Remark

ABOUT = {
    "laboratory": "name and address of whoever calibrated",
    "place": "where it was done",
    "customer": "who it was done for, and how to reach them",
    "item": "transducer and adapters, by make and number",
    "condition": "in what condition the rig was",
    "received": "when the rig came",
    "environment": "humidity, draughts, whatever may matter",
    "warm-up": "how long the supply was on, how often it was preloaded",
    "deviation": "what was done otherwise than the method says",
    "traceability": "certificates of scale, weights, tape",
    "adjustment": "what was adjusted or repaired, before or after",
    "opinion": "what the results mean, marked as an opinion",
}
"""What a remark may be about, and what belongs there."""
ALL_COUNT = ("deviation", "adjustment", "opinion")
"""Of these all remarks count; of the others the latest."""


def said(remarks: Sequence[Remark], about: str) -> str:
    """What the remarks (in order of time) say about one thing, and who said it; empty: nothing."""
    found = [one for one in remarks if one.about == about]
    if about not in ALL_COUNT:
        found = found[-1:]
    return "; ".join(f"{one.text} ({one.by})" if one.by else one.text for one in found)
