"""Temperatures of calibrations, into the archive and out of it."""

from __future__ import annotations

import math

from anviltrace.archive.archive import Archive
from anviltrace.calibration.temperature import TRANSDUCER, USUAL_WITHIN_K, Temperatures, temperatures
from anviltrace.records import Calibration, LoadStep, Temperature, new_id, now_utc


def keep_temperature(
    archive: Archive,
    calibration: Calibration,
    session_id: str,
    temperature_c: float,
    within_k: float = USUAL_WITHIN_K,
) -> Temperature:
    """Keep what was read at the transducer just now, known to ±``within_k`` (rectangular)."""
    made = Temperature(
        id=new_id(),
        session_id=session_id,
        calibration_id=calibration.id,
        taken_at=now_utc(),
        place=TRANSDUCER,
        temperature_c=temperature_c,
        u_c=within_k / math.sqrt(3.0),
    )
    archive.put(made)
    return made


def temperatures_of(archive: Archive, calibration: Calibration) -> Temperatures:
    """The temperatures at the start and the end of a calibration, as far as they are on record."""
    taken = archive.all(Temperature, calibration_id=calibration.id)
    steps = archive.all(LoadStep, calibration_id=calibration.id)
    last = max((step.taken_at for step in steps), default=calibration.taken_at)
    return temperatures(taken, last)
