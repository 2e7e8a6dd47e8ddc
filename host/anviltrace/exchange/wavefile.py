"""WAV files, as sound cards and some recorders write them: whole numbers at a fixed rate."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Wanted, choose_columns


def read_wave(path: Path, wanted: Wanted) -> Columns:
    """One channel of a WAV file; its full scale is for whoever brings it in to state.

    Raises PlanError when it is no WAV file that can be read, or the channel is not there.
    """
    from scipy.io import wavfile

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks of other programs
            rate_hz, samples = wavfile.read(path)
    except ValueError as error:
        raise PlanError(f"{path} cannot be read as WAV ({error}): save it as PCM or float WAV") from error
    channels = samples.reshape(len(samples), -1)
    headings = [f"channel {number}" for number in range(1, channels.shape[1] + 1)]
    if wanted.time:
        raise PlanError(f"{path} is a WAV file, which has a rate and no column of times: drop --time-column")
    if not wanted.value and len(headings) == 2:
        raise PlanError(f"{path} has 2 channels: say which to take with --column 1 or --column 2")
    place, _ = choose_columns(path, headings, wanted) if len(headings) > 1 else (0, None)
    return _columns(channels[:, place], float(rate_hz), headings[place])


def _columns(values: np.ndarray[tuple[int], np.dtype[np.generic]], rate_hz: float, channel: str) -> Columns:
    """Unsigned bytes are centred on 128 (WAV's convention); 24-bit samples come shifted up to 32 bits."""
    if values.dtype == np.uint8:
        return Columns(values.astype(np.int32) - 128, rate_hz=rate_hz, full_scale_code=128, channel=channel)
    if np.issubdtype(values.dtype, np.integer):
        code = 2 ** (8 * values.dtype.itemsize - 1)
        return Columns(values.astype(np.int32), rate_hz=rate_hz, full_scale_code=code, channel=channel)
    return Columns(values.astype(np.float64), rate_hz=rate_hz, channel=channel)
