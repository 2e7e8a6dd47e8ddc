"""The device script as a host meets it, frame by frame, on the virtual board."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from typing import Any

import pytest

from anviltrace.link.port import open_port
from anvilwire import frame
from anvilwire import messages as m
from anvilwire.frame import Frame, FrameReader


class Talker:
    """Sends frames to a board and collects what it says."""

    def __init__(self, port: Any) -> None:
        self.port = port
        self.reader = FrameReader()
        self.heard: list[Frame] = []
        self._sequence = 0

    def send(self, kind: int, version: int = frame.VERSION, **fields: Any) -> None:
        payload = m.pack(kind, **fields) if kind in m.FIELDS else bytes(fields.values())
        self.port.write(frame.build(kind, self._sequence, payload, version=version))
        self._sequence += 1

    def hear(self, kind: int, limit_s: float = 10.0) -> dict[str, Any]:
        """The fields of the next message of this kind."""
        return m.unpack(kind, self.hear_frame(kind, limit_s).payload)

    def hear_frame(self, kind: int, limit_s: float = 10.0) -> Frame:
        deadline = time.monotonic() + limit_s
        while time.monotonic() < deadline:
            while self.heard:
                got = self.heard.pop(0)
                if got.kind == kind:
                    return got
            self.heard += self.reader.feed(self.port.read(65536))
        pytest.fail(f"no {m.NAMES[kind]} within {limit_s} s")

    def ask(self, kind: int, reply: int, **fields: Any) -> dict[str, Any]:
        self.send(kind, **fields)
        return self.hear(reply)

    def refused(self, kind: int, **fields: Any) -> int:
        """The code with which a request is refused."""
        answer = self.ask(kind, m.REFUSED, **fields)
        assert (answer["request_id"], answer["request_kind"]) == (fields["request_id"], kind)
        assert answer["text"]
        return int(answer["code"])

    def configure(self, request_id: int = 2, rate_mhz: int = 0, gain: int = 0) -> dict[str, Any]:
        return self.ask(m.CONFIGURE, m.CONFIGURED, request_id=request_id, rate_mhz=rate_mhz, gain=gain)

    def start(self, settings_id: int, request_id: int = 3, run_id: int = 9) -> dict[str, Any]:
        return self.ask(m.START, m.STARTED, request_id=request_id, settings_id=settings_id, run_id=run_id)

    def ended(self, limit_s: float = 10.0) -> bool:
        """Whether the script leaves: its port goes away."""
        deadline = time.monotonic() + limit_s
        try:
            while time.monotonic() < deadline:
                self.port.read(65536)
        except OSError:
            return True
        return False


@pytest.fixture
def talker(interpreter: str) -> Iterator[Talker]:
    with open_port(f"virtual://fishplate-held?seed=1&interpreter={interpreter}") as port:
        talker = Talker(port)
        port.write(b"\0")
        yield talker


@pytest.fixture
def slow_talker() -> Iterator[Talker]:
    with open_port("virtual://deadweight-hx711?seed=1") as port:
        talker = Talker(port)
        port.write(b"\0")
        yield talker


def test_identity(talker: Talker) -> None:
    identity = talker.ask(m.IDENTITY, m.IDENTIFIED, request_id=200)
    assert identity["request_id"] == 200
    assert identity["protocol_version"] == frame.VERSION
    assert (identity["tick_bits"], identity["tick_hz"]) == (30, 1_000_000)
    assert (identity["max_frame"], identity["max_request"]) == (frame.MAX_FRAME, frame.MAX_REQUEST)
    assert (identity["converter"], identity["converter_ok"], identity["code_bits"]) == ("ads1256", 1, 24)
    # TI SBAS288K: full scale is ±2·VREF/PGA; the sinc5 delays by 157.5 modulator periods of 1/1.92 MHz,
    # and the average of four values behind it by 1.5 of 1/30 ms
    assert {"gain": 64, "full_scale_nano": 78_125_000} in identity["gains"]
    assert {"rate_mhz": 7_500_000, "group_delay_ns": 132_031} in identity["rates"]


def test_identity_is_answered_whatever_version_the_host_speaks(talker: Talker) -> None:
    talker.send(m.IDENTITY, version=9, request_id=1)
    assert talker.hear_frame(m.IDENTIFIED).version == frame.VERSION
    talker.send(m.CONFIGURE, version=9, request_id=2, rate_mhz=0, gain=0)
    assert talker.hear(m.REFUSED)["code"] == m.WRONG_VERSION


def test_refusals_when_idle(talker: Talker) -> None:
    assert talker.refused(m.START, request_id=1, settings_id=5, run_id=1) == m.NOT_CONFIGURED
    assert talker.refused(m.RESEND, request_id=2, run_id=1, block_number=0, count=1) == m.NO_SUCH_RUN
    assert talker.refused(m.STOP, request_id=3, run_id=1) == m.NO_SUCH_RUN
    assert talker.refused(m.CONFIGURE, request_id=4, rate_mhz=7_400_000, gain=64) == m.NOT_ON_OFFER
    assert talker.refused(m.CONFIGURE, request_id=5, rate_mhz=7_500_000, gain=63) == m.NOT_ON_OFFER
    assert talker.refused(0x30, request_id=6) == m.UNKNOWN_REQUEST
    talker.port.write(frame.build(m.CONFIGURE, 99, bytes([7, 0, 0])))
    assert talker.hear(m.REFUSED)["code"] == m.MALFORMED
    settings = talker.configure(request_id=8)
    wrong = settings["settings_id"] ^ 1
    assert talker.refused(m.START, request_id=9, settings_id=wrong, run_id=1) == m.OTHER_SETTINGS


def test_settings_are_read_back_and_named_alike(talker: Talker) -> None:
    first = talker.configure(2, 7_500_000, 64)
    # STATUS (buffer on), MUX AIN0-AIN1, ADCON (PGA 64, clock output off), DRATE 7500: TI SBAS288K p. 30-32
    registers = first["registers"]
    assert registers[0] & 0x0E == 0x02
    assert registers[1:4] == bytes([0x01, 0x06, 0xD0])
    assert len(registers) == 11
    other = talker.configure(3, 3_750_000, 64)
    again = talker.configure(4, 7_500_000, 64)
    assert first["settings_id"] == again["settings_id"] != other["settings_id"] != 0


def test_a_run(talker: Talker) -> None:
    settings = talker.configure()
    assert talker.start(settings["settings_id"])["run_id"] == 9
    first = m.unpack(m.BLOCK, talker.hear_frame(m.BLOCK).payload)
    assert (first["run_id"], first["number"], first["first_index"]) == (9, 0, 0)
    assert (first["count"], first["sample_bytes"], first["channels"]) == (256, 3, 1)
    assert first["settings_id"] == settings["settings_id"]
    second = m.unpack(m.BLOCK, talker.hear_frame(m.BLOCK).payload)
    assert (second["number"], second["first_index"]) == (1, 256)
    assert talker.refused(m.QUIT, request_id=4) == m.BUSY
    assert talker.refused(m.CONFIGURE, request_id=5, rate_mhz=0, gain=0) == m.BUSY
    assert talker.ask(m.IDENTITY, m.IDENTIFIED, request_id=6)["state"] == m.STREAMING
    totals = talker.ask(m.STOP, m.FINISHED, request_id=7, run_id=9)
    assert (totals["reason"], totals["lost"], totals["unsent_blocks"]) == (m.ASKED, 0, 0)
    assert totals["next_index"] >= 512
    later = talker.ask(m.STOP, m.FINISHED, request_id=8, run_id=9)
    assert {**later, "request_id": 7} == totals


def test_a_repeated_request_is_answered_again_but_done_once(talker: Talker) -> None:
    settings = talker.configure()
    talker.send(m.START, request_id=3, settings_id=settings["settings_id"], run_id=9)
    one = talker.hear_frame(m.STARTED)
    talker.send(m.START, request_id=3, settings_id=settings["settings_id"], run_id=9)
    two = talker.hear_frame(m.STARTED)
    assert one.payload == two.payload
    assert two.sequence != one.sequence
    assert talker.ask(m.STOP, m.FINISHED, request_id=4, run_id=9)["next_index"] > 0


def test_the_last_block_precedes_finished(talker: Talker) -> None:
    settings = talker.configure()
    talker.start(settings["settings_id"])
    talker.hear(m.BLOCK)
    talker.send(m.STOP, request_id=4, run_id=9)
    covered = 256
    while True:
        talker.heard += talker.reader.feed(talker.port.read(65536))
        while talker.heard:
            got = talker.heard.pop(0)
            if got.kind == m.BLOCK:
                block = m.unpack(m.BLOCK, got.payload)
                assert block["first_index"] == covered
                covered += block["count"]
            elif got.kind == m.FINISHED:
                assert m.unpack(m.FINISHED, got.payload)["next_index"] == covered
                return


def test_a_silent_host_ends_the_run(talker: Talker) -> None:
    settings = talker.configure()
    tick = talker.start(settings["settings_id"])["tick"]
    totals = talker.hear(m.FINISHED, limit_s=30)
    assert (totals["request_id"], totals["reason"], totals["run_id"]) == (0, m.HOST_SILENT, 9)
    # 3 s by the board's own clock, at 7.5 kS/s
    assert totals["next_index"] == pytest.approx(3.0 * 7500, rel=0.02)
    assert tick < 1 << 30
    assert talker.ask(m.IDENTITY, m.IDENTIFIED, request_id=5)["state"] == m.IDLE


def test_the_board_says_that_it_is_alive(talker: Talker) -> None:
    talker.ask(m.IDENTITY, m.IDENTIFIED, request_id=1)
    ticks = [talker.hear(m.BOARD_ALIVE)["tick"] for _ in range(3)]
    assert [(b - a) / 1e6 for a, b in itertools.pairwise(ticks)] == pytest.approx([0.5, 0.5], abs=0.2)


def test_damaged_requests_are_counted_and_long_ones_dropped(talker: Talker) -> None:
    good = frame.build(m.IDENTITY, 1, bytes([5]))
    spoiled = bytearray(good)
    spoiled[5] ^= 0x40
    talker.port.write(bytes(spoiled) + b"\xaa" * 1000 + b"\0")
    talker.port.write(good)
    talker.hear(m.IDENTIFIED)
    assert talker.hear(m.BOARD_ALIVE)["bad_requests"] == 2


@pytest.mark.parametrize("escape", frame.ESCAPES)
def test_an_idle_board_gives_the_prompt_back(talker: Talker, escape: bytes) -> None:
    talker.ask(m.IDENTITY, m.IDENTIFIED, request_id=1)
    talker.port.write(escape)
    assert talker.ended()


def test_a_streaming_board_ignores_the_escape(talker: Talker) -> None:
    settings = talker.configure()
    talker.start(settings["settings_id"])
    talker.port.write(b"\0" + frame.ESCAPES[0] + b"\0")
    assert talker.ask(m.STOP, m.FINISHED, request_id=4, run_id=9)["reason"] == m.ASKED


def test_quit(talker: Talker) -> None:
    assert talker.ask(m.QUIT, m.QUITTING, request_id=1) == {"request_id": 1}
    assert talker.ended()


def test_slow_blocks_are_short(slow_talker: Talker) -> None:
    # at 80 S/s a block goes out when its first sample is 50 ms old: after 4 or 5 samples
    identity = slow_talker.ask(m.IDENTITY, m.IDENTIFIED, request_id=1)
    # data sheet of the HX711: ±0.5·AVDD/gain, so 3.90625 mV/V at gain 128
    assert {"gain": 128, "full_scale_nano": 3_906_250} in identity["gains"]
    assert identity["scale_kind"] == m.SCALE_RATIO
    settings = slow_talker.configure(gain=128)
    slow_talker.start(settings["settings_id"])
    counts = [m.unpack(m.BLOCK, slow_talker.hear_frame(m.BLOCK).payload)["count"] for _ in range(5)]
    assert all(count in (4, 5) for count in counts)
