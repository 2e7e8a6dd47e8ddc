"""WAV files, as sound cards and some recorders write them: shares of a full scale at a fixed rate."""

from __future__ import annotations

import struct
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Wanted, choose_columns

_LENGTH_UNKNOWN = 0xFFFFFFFF
Samples = npt.NDArray[np.generic]


def read_wave(path: Path, wanted: Wanted) -> Columns:
    """One channel of a WAV file; its full scale is for whoever brings it in to state.

    Raises PlanError when it is no WAV file that can be read, or the channel is not there.
    """
    rate_hz, samples = _read(path)
    channels = samples.reshape(len(samples), -1)
    headings = [f"channel {number}" for number in range(1, channels.shape[1] + 1)]
    if wanted.time:
        raise PlanError(f"{path} is a WAV file, which has a rate and no column of times: drop --time-column")
    if not wanted.value and len(headings) == 2:
        raise PlanError(f"{path} has 2 channels: say which to take with --column 1 or --column 2")
    place, _ = choose_columns(path, headings, wanted) if len(headings) > 1 else (0, None)
    columns = _columns(channels[:, place], float(rate_hz), headings[place])
    return replace(columns, remark=_remark(path))


def _read(path: Path) -> tuple[int, Samples]:
    """Rate and samples, at least one."""
    from scipy.io import wavfile

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks of other programs
            rate_hz, samples = wavfile.read(path)
    except (ValueError, struct.error, ZeroDivisionError) as error:
        raise PlanError(
            f"{path} cannot be read as WAV ({_remark(path) or error}): save it as PCM or float WAV"
        ) from error
    if not samples.size or not rate_hz or samples.dtype == np.int64:
        raise PlanError(
            f"{path} holds {len(samples)} samples of {8 * samples.dtype.itemsize} bits, {rate_hz} a second, "
            "which cannot be taken: save it as PCM or float WAV"
        )
    return rate_hz, samples


def _remark(path: Path) -> str:
    """Says how much of the end is missing; a header written before the length was known says nothing."""
    with path.open("rb") as file:
        kind, told = file.read(4), int.from_bytes(file.read(4), "little")
    missing = told + 8 - path.stat().st_size
    if kind != b"RIFF" or told == _LENGTH_UNKNOWN or missing <= 1:  # a byte that evens the length may lack
        return ""
    return f"the file is {missing} bytes shorter than it says: the end of the recording is missing"


def _columns(values: np.ndarray[tuple[int], np.dtype[np.generic]], rate_hz: float, channel: str) -> Columns:
    """Unsigned bytes are centred on 128 (WAV's convention); 24-bit samples come shifted up to 32 bits."""
    if values.dtype == np.uint8:
        return Columns(values.astype(np.int32) - 128, rate_hz=rate_hz, full_scale_code=128, channel=channel)
    if np.issubdtype(values.dtype, np.integer):
        code = 2 ** (8 * values.dtype.itemsize - 1)
        return Columns(values.astype(np.int32), rate_hz=rate_hz, full_scale_code=code, channel=channel)
    return Columns(values.astype(np.float64), rate_hz=rate_hz, of_full_scale=True, channel=channel)
