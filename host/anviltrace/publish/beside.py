"""What goes with a run beside the torque, in words: side channels, and what the run felt like to somebody."""

from __future__ import annotations

from anviltrace.metrics.results import RunContext
from anviltrace.records import Rating, SideChannel

OPINIONS = "How hard it was to hold (opinions, not measured; 1 not at all, 10 as much as one can)"
CHANNELS = "Recorded beside the torque"


def channels(context: RunContext) -> list[str]:
    """One line for each side channel that is used."""
    return [_channel(channel) for channel in context.sides]


def opinions(context: RunContext) -> list[str]:
    """One line for each rating, in the order they were given."""
    return [_opinion(rating) for rating in context.ratings]


def _channel(channel: SideChannel) -> str:
    origin = (channel.sensor, f"from {channel.file_name}" if channel.file_name else "")
    told = "".join(f", {text}" for text in origin if text)
    return f"{channel.quantity}: {channel.samples} samples at {channel.rate_hz:.6g} a second{told}"


def _opinion(rating: Rating) -> str:
    note = f": {rating.note}" if rating.note else ""
    return f"{rating.score} of 10, {rating.by}{note}"
