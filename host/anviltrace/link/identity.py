"""Who is on the port: what a board says about itself, and the settings it applied, as records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from anviltrace.errors import RefusedError
from anviltrace.records import Board, ScaleKind, Settings, described_id
from anvilwire import messages

_MILLI = 1e-3

_BY_PIO_HZ = {"ads1256": (15000.0, 30000.0)}
_WHY_PIO = " without a PIO state machine (RP2040, RP2350) named in its settings, as pio"
_MICRO = 1e-6
_NANO = 1e-9

_EXCITATION = {
    messages.EXCITATION_IS_REFERENCE: "ratiometric",
    messages.EXCITATION_NOMINAL: "nominal",
    messages.EXCITATION_MEASURED: "measured",
}


@dataclass(frozen=True, slots=True)
class RateOffer:
    """A sample rate, and how late a sample shows what happened."""

    rate_hz: float
    group_delay_s: float


@dataclass(frozen=True, slots=True)
class GainOffer:
    """A gain, and what the full-scale code then means: mV/V or V, as the identity's ``scale_kind`` says."""

    gain: int
    full_scale: float


@dataclass(frozen=True, slots=True)
class Identity:
    """A board as it introduced itself.

    ``converter_ok`` is False when its converter did not answer at power-up. ``excitation_v`` is None where
    the excitation is the converter's reference and its value unknown. ``window_blocks`` is how many blocks it
    can send again, ``burst_samples`` the longest burst, ``link_bytes_per_s`` what its link carries, None
    where it does not know. ``sensors`` is the number of its side sensors, answering or not.
    """

    protocol_version: int
    firmware_version: str
    unique_id: str
    board: str
    streaming: bool
    converter: str
    converter_ok: bool
    code_bits: int
    scale_kind: ScaleKind
    full_scale_code: int
    saturation_low: int
    saturation_high: int
    excitation_v: float | None
    excitation_source: str
    rates: tuple[RateOffer, ...]
    gains: tuple[GainOffer, ...]
    block_samples: int
    max_frame: int
    window_blocks: int
    burst_samples: int
    link_bytes_per_s: int | None
    sensors: int

    @property
    def fastest_hz(self) -> float:
        """The highest rate on offer."""
        return max(offer.rate_hz for offer in self.rates)

    def as_record(self) -> Board:
        """The board for the archive. The same board with the same firmware has the same id everywhere."""
        facts = (
            self.unique_id,
            self.board,
            self.firmware_version,
            self.protocol_version,
            self.converter,
            self.code_bits,
        )
        return Board(described_id("board", facts), *facts)

    def must_offer(self, rate_hz: float | None, gain: int | None) -> None:
        """Raise RefusedError, naming what there is, unless rate and gain (None: any) are on offer."""
        if rate_hz is not None and all(abs(offer.rate_hz - rate_hz) > _MILLI for offer in self.rates):
            rates = ", ".join(f"{offer.rate_hz:g}" for offer in self.rates)
            why = "" if rate_hz not in _BY_PIO_HZ.get(self.converter, ()) else _WHY_PIO
            raise RefusedError(
                f"{self.converter} has no rate of {rate_hz:g} Hz{why}: choose from {rates} Hz",
                messages.NOT_ON_OFFER,
            )
        if gain is not None and all(offer.gain != gain for offer in self.gains):
            gains = ", ".join(str(offer.gain) for offer in self.gains)
            raise RefusedError(
                f"{self.converter} has no gain of {gain}: choose from {gains}", messages.NOT_ON_OFFER
            )


def identity_from(fields: Mapping[str, Any]) -> Identity:
    """The identity in the fields of IDENTIFIED."""
    kind = ScaleKind.RATIO if fields["scale_kind"] == messages.SCALE_RATIO else ScaleKind.VOLTAGE
    version = ".".join(str(fields[f"firmware_{part}"]) for part in ("major", "minor", "patch"))
    return Identity(
        protocol_version=fields["protocol_version"],
        firmware_version=version,
        unique_id=fields["unique_id"].hex(),
        board=fields["board"],
        streaming=fields["state"] == messages.STREAMING,
        converter=fields["converter"],
        converter_ok=bool(fields["converter_ok"]),
        code_bits=fields["code_bits"],
        scale_kind=kind,
        full_scale_code=fields["full_scale_code"],
        saturation_low=fields["saturation_low"],
        saturation_high=fields["saturation_high"],
        excitation_v=fields["excitation_uv"] * _MICRO or None,
        excitation_source=_EXCITATION.get(fields["excitation_source"], "unknown"),
        rates=tuple(
            RateOffer(row["rate_mhz"] * _MILLI, row["group_delay_ns"] * _NANO) for row in fields["rates"]
        ),
        gains=tuple(GainOffer(row["gain"], _full_scale(row, kind)) for row in fields["gains"]),
        block_samples=fields["block_samples"],
        max_frame=fields["max_frame"],
        window_blocks=fields["window_blocks"],
        burst_samples=fields["burst_samples"],
        link_bytes_per_s=fields["link_bytes_per_s"] or None,
        sensors=fields["sensors"],
    )


def settings_from(fields: Mapping[str, Any], identity: Identity) -> Settings:
    """The settings in the fields of CONFIGURED. The same settings have the same id everywhere."""
    facts: dict[str, Any] = {
        "wire_id": fields["settings_id"],
        "rate_hz": fields["rate_mhz"] * _MILLI,
        "gain": fields["gain"],
        "group_delay_s": fields["group_delay_ns"] * _NANO,
        "scale_kind": identity.scale_kind,
        "full_scale": _full_scale(fields, identity.scale_kind),
        "full_scale_code": fields["full_scale_code"],
        "saturation_low": fields["saturation_low"],
        "saturation_high": fields["saturation_high"],
        "excitation_v": identity.excitation_v,
        "excitation_source": identity.excitation_source,
        "registers": fields["registers"],
    }
    return Settings(described_id("settings", tuple(facts.values())), **facts)


def _full_scale(fields: Mapping[str, Any], kind: ScaleKind) -> float:
    """mV/V from nV/V, or V from nV."""
    return float(fields["full_scale_nano"]) * (_MICRO if kind is ScaleKind.RATIO else _NANO)
