"""What the board tells of itself and its converter: IDENTIFIED, and the settings of CONFIGURED."""

import struct
from binascii import crc32

from anvilwire import messages as m
from anvilwire.frame import MAX_FRAME, MAX_REQUEST, VERSION
from blocks import CHANNELS, SAMPLE_BYTES
from converters import on_offer

FIRMWARE = (0, 1, 0)


def identified(board, unique_id, link_bytes_per_s, converter, converter_ok, slots, sensors):
    """The payload of IDENTIFIED; ``slots`` is how many blocks are kept, ``sensors`` how many there are."""
    return m.pack(
        m.IDENTIFIED,
        request_id=0,
        protocol_version=VERSION,
        firmware_major=FIRMWARE[0],
        firmware_minor=FIRMWARE[1],
        firmware_patch=FIRMWARE[2],
        unique_id=unique_id,
        state=m.IDLE,
        tick_bits=m.TICK_BITS,
        tick_hz=m.TICK_HZ,
        max_frame=MAX_FRAME,
        max_request=MAX_REQUEST,
        block_samples=m.BLOCK_SAMPLES,
        converter_ok=1 if converter_ok else 0,
        code_bits=converter.code_bits,
        scale_kind=converter.scale_kind,
        full_scale_code=converter.full_scale_code,
        saturation_low=converter.saturation_low,
        saturation_high=converter.saturation_high,
        excitation_uv=converter.excitation_uv,
        excitation_source=converter.excitation_source,
        board=board,
        converter=converter.name,
        rates=[{"rate_mhz": rate, "group_delay_ns": delay} for rate, delay in converter.rates],
        gains=[{"gain": gain, "full_scale_nano": full_scale} for gain, full_scale in converter.gains],
        window_blocks=slots - 1,
        burst_samples=slots * m.BLOCK_SAMPLES,
        link_bytes_per_s=link_bytes_per_s,
        sensors=sensors,
    )


def configured(converter, request_id, rate, gain, registers):
    """The payload of CONFIGURED, and the id of the settings: a checksum of all it says of them, never 0."""
    payload = m.pack(
        m.CONFIGURED,
        request_id=request_id,
        settings_id=0,
        rate_mhz=rate,
        gain=gain,
        group_delay_ns=on_offer(converter.rates, rate),
        full_scale_nano=on_offer(converter.gains, gain),
        full_scale_code=converter.full_scale_code,
        code_bits=converter.code_bits,
        sample_bytes=SAMPLE_BYTES,
        channels=CHANNELS,
        registers=registers,
        saturation_low=converter.saturation_low,
        saturation_high=converter.saturation_high,
    )
    settings_id = (crc32(payload[3:]) & 0xFFFF) or 1
    return payload[:1] + struct.pack("<H", settings_id) + payload[3:], settings_id
