"""The conversation with a board, and everything that can go wrong with it."""

from __future__ import annotations

import os
import pty
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pytest
from standin import Script, StandIn

from anviltrace.errors import RefusedError, SilentError, TalkError, UnpluggedError, VersionError
from anviltrace.link import session as session_module
from anviltrace.link.events import Alive, Blocks, BoardError, Damage, Event, Finished, Text
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.records import ScaleKind
from anvilwire import frame, messages

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")


@contextmanager
def conversation(script: Script | None = None, **arguments: float) -> Iterator[tuple[Session, StandIn]]:
    with StandIn(script) as board, Session(open_port(board.url), **arguments) as session:
        yield session, board


def listen(session: Session, until: Callable[[list[Event]], bool], limit_s: float = 5.0) -> list[Event]:
    """Poll until the events so far satisfy ``until``."""
    events: list[Event] = []
    deadline = time.monotonic() + limit_s
    while not until(events):
        assert time.monotonic() < deadline, events
        events += session.poll(0.05)
    return events


def listen_till_it_fails(session: Session) -> tuple[list[Event], TalkError]:
    """Everything that arrived before a poll failed, and how it failed."""
    events: list[Event] = []
    for _ in range(1000):
        try:
            events += session.poll(0.1)
        except TalkError as error:
            return events, error
    raise AssertionError(events)


def samples_of(events: list[Event]) -> np.ndarray:
    return np.concatenate([event.samples for event in events if isinstance(event, Blocks)])


def enough(count: int) -> Callable[[list[Event]], bool]:
    return lambda events: sum(len(event.samples) for event in events if isinstance(event, Blocks)) >= count


class TestIdentity:
    def test_who_is_there(self) -> None:
        with conversation() as (session, board):
            identity = session.identity
            assert (identity.board, identity.firmware_version) == ("stand-in", "0.9.1")
            assert identity.unique_id == "0001020304050607"
            assert identity.scale_kind is ScaleKind.VOLTAGE
            assert (identity.excitation_v, identity.excitation_source) == (5.0, "nominal")
            assert [offer.rate_hz for offer in identity.rates] == [1000.0, 7500.0]
            assert identity.rates[0].group_delay_s == pytest.approx(200e-6)
            assert [offer.full_scale for offer in identity.gains] == [5.0, 5.0 / 64]
            assert board.heard[0] == messages.IDENTITY

    def test_the_same_board_is_the_same_record(self) -> None:
        with conversation() as (session, _):
            first = session.identity.as_record()
        with conversation() as (session, _):
            assert session.identity.as_record() == first

    def test_requests_are_repeated(self) -> None:
        with conversation(Script(ignore=2)) as (_, board):
            assert board.heard[:3] == [messages.IDENTITY] * 3

    def test_a_greeting_is_kept_and_does_no_harm(self) -> None:
        with conversation(Script(greeting=b"booting\r\n")) as (session, _):
            assert Text("booting\r\n") in session.poll(0.0)


class TestSomethingElse:
    def test_silent_device(self) -> None:
        with StandIn(Script(ignore=99)) as board:
            with pytest.raises(SilentError, match=r"within 0\.6 s.*reset"):
                Session(open_port(board.url), patience_s=0.6)
            open_port(board.url).close()  # it was let go

    def test_another_protocol_version_names_both(self) -> None:
        with (
            StandIn(Script(version=7)) as board,
            pytest.raises(VersionError, match=r"version 7, script 0\.9\.1.*speaks version 1"),
        ):
            Session(open_port(board.url))

    @pytest.mark.parametrize(
        ("said", "expected"),
        [
            (b"$GNGGA,084\xb0\r\n", r"talks something else.*\$GNGGA,084"),
            (b"MicroPython v1.27\r\n>>> ", "at its MicroPython prompt"),
        ],
    )
    def test_a_port_that_talks_something_else(self, said: bytes, expected: str) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        talker = threading.Timer(0.1, os.write, (master, said))
        talker.start()
        try:
            with pytest.raises(TalkError, match=expected):
                Session(open_port(os.ttyname(slave)), patience_s=0.5)
        finally:
            talker.join()
            os.close(master)
            os.close(slave)

    def test_a_port_that_echoes(self) -> None:
        with pytest.raises(TalkError, match="sends back"):
            Session(open_port("loop://"), patience_s=0.3)

    def test_a_socket_is_as_good_as_a_port(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            url = f"socket://127.0.0.1:{server.getsockname()[1]}"
            with StandIn() as board, open_port(board.url) as far:
                bridge = threading.Thread(target=_carry, args=(server, far))
                bridge.start()
                try:
                    with Session(open_port(url)) as session:
                        session.configure(7500.0)
                        session.start(3)
                        events = listen(session, enough(20_000))
                        session.stop()
                finally:
                    bridge.join()
        np.testing.assert_array_equal(samples_of(events), np.arange(len(samples_of(events))))


def _carry(server: socket.socket, far: object) -> None:
    """Carry bytes between the first caller of ``server`` and the port ``far`` until the caller hangs up."""
    near, _ = server.accept()
    near.settimeout(0.005)
    with near:
        while True:
            try:
                data = near.recv(4096)
                if not data:
                    return
                far.write(data)  # type: ignore[attr-defined]
            except TimeoutError:
                pass
            near.sendall(far.read(max(1, far.in_waiting)))  # type: ignore[attr-defined]


class TestConfigure:
    def test_settings_as_applied(self) -> None:
        with conversation() as (session, _):
            settings = session.configure(7500.0, 64)
            assert (settings.rate_hz, settings.gain, settings.wire_id) == (7500.0, 64, 4711)
            assert settings.full_scale == pytest.approx(0.078125)
            assert settings.mv_per_v_per_count is None  # the excitation is only nominal
            assert settings.registers == b"\x01\x26"
            assert session.configure(7500.0, 64) == settings

    def test_the_board_may_choose(self) -> None:
        with conversation() as (session, _):
            settings = session.configure()
            assert (settings.rate_hz, settings.gain) == (1000.0, 1)

    def test_not_on_offer_says_what_is(self) -> None:
        with conversation() as (session, _):
            with pytest.raises(RefusedError, match="no rate of 9000 Hz: choose from 1000, 7500 Hz"):
                session.configure(9000.0)
            with pytest.raises(RefusedError, match="no gain of 3: choose from 1, 64"):
                session.configure(None, 3)

    def test_refused_by_the_board_in_words(self) -> None:
        refuse = {messages.CONFIGURE: messages.CONVERTER_SILENT}
        with conversation(Script(refuse=refuse)) as (session, _):
            with pytest.raises(RefusedError, match="converter does not answer: check the wiring") as caught:
                session.configure()
            assert caught.value.code == messages.CONVERTER_SILENT

    @pytest.mark.parametrize("applied", [{"rate_mhz": 500_000}, {"gain": 8}])
    def test_something_else_was_applied(self, applied: dict[str, int]) -> None:
        with (
            conversation(Script(applied=applied)) as (session, _),
            pytest.raises(TalkError, match="it applied"),
        ):
            session.configure(1000.0, 64)

    def test_start_needs_settings(self) -> None:
        with conversation() as (session, _), pytest.raises(RefusedError, match="configure it first"):
            session.start(1)


class TestRun:
    def test_every_sample_arrives_and_totals_prove_it(self) -> None:
        with conversation() as (session, board):
            session.configure(7500.0)
            session.start(21)
            events = listen(session, enough(30_000))
            totals = session.stop()
            events += session.poll(0.0)
            samples = samples_of(events)
            np.testing.assert_array_equal(samples, np.arange(totals.next_index) % (1 << 20))
            assert (totals.run_id, totals.reason_text) == (21, "asked for")
            assert not any(isinstance(event, Damage | Finished) for event in events)
            assert board.heard.count(messages.HOST_ALIVE) >= 30_000 / 7500 - 1

    def test_two_runs_do_not_mix(self) -> None:
        with conversation() as (session, _):
            session.configure(7500.0)
            for run_id in (5, 6):
                session.start(run_id)
                events = listen(session, enough(1000))
                session.stop()
                assert samples_of(events)[0] == 0
                tables = [event.table for event in events if isinstance(event, Blocks)]
                assert {int(run) for table in tables for run in table["run_id"]} == {run_id}

    def test_the_line_is_kept_alive_while_nobody_polls(self) -> None:
        with conversation() as (session, board):
            session.configure()
            session.start(1)
            heard = board.heard.count(messages.HOST_ALIVE)
            time.sleep(1.2)  # as a person takes to answer a question
            assert board.heard.count(messages.HOST_ALIVE) >= heard + 2
            waited = samples_of(session.poll(0.0))
            np.testing.assert_array_equal(waited, np.arange(len(waited)))
            assert len(waited) > 1000

    def test_damaged_frames_are_counted_and_told(self) -> None:
        def spoil(number: int, wire: bytes) -> bytes:
            return wire[:50] + b"\x55" + wire[51:] if number == 2 and wire[50] != 0x55 else wire

        with conversation(Script(spoil=spoil)) as (session, _):
            session.configure()
            session.start(1)
            events = listen(session, enough(1500))
        told = [event for event in events if isinstance(event, Damage)]
        assert sum(event.damaged for event in told) == 1
        assert sum(event.missed for event in told) == 1
        numbers = [int(n) for event in events if isinstance(event, Blocks) for n in event.table["number"]]
        assert numbers[:4] == [0, 1, 3, 4]

    def test_stray_text_and_errors_are_told(self) -> None:
        error = messages.pack(messages.ERROR, code=5, text="Traceback: planted")
        script = Script(text_at={1: b"watchdog?\r\n", 2: frame.build(messages.ERROR, 900, error)})
        with conversation(script) as (session, _):
            session.configure()
            session.start(1)
            events = listen(session, enough(1200))
        assert Text("watchdog?\r\n") in events
        assert BoardError(5, "Traceback: planted") in events

    def test_the_heartbeat_of_the_board(self) -> None:
        values = {"state": 1, "run_id": 1, "tick": 9, "next_index": 256, "lost": 0, "bad_requests": 2}
        beat = frame.build(messages.BOARD_ALIVE, 0, messages.pack(messages.BOARD_ALIVE, **values))
        with conversation(Script(text_at={1: beat})) as (session, _):
            session.configure()
            session.start(1)
            assert Alive(**values) in listen(session, enough(600))

    def test_the_board_ends_the_run_by_itself(self) -> None:
        with conversation(Script(end_at=(3, messages.CONVERTER_FAULT))) as (session, _):
            session.configure()
            session.start(1)
            events = listen(session, lambda seen: any(isinstance(event, Finished) for event in seen))
            totals = next(event.totals for event in events if isinstance(event, Finished))
            assert (totals.blocks, totals.next_index) == (3, 768)
            assert totals.reason_text == "the converter failed"
            assert len(samples_of(events)) == 768
            assert not session.running

    def test_unplugging_in_mid_run_loses_nothing_that_came(self) -> None:
        with conversation(Script(unplug_at=20)) as (session, _):
            session.configure(7500.0)
            session.start(1)
            received, error = listen_till_it_fails(session)
            assert isinstance(error, UnpluggedError)
            assert "gone away" in str(error)
            np.testing.assert_array_equal(samples_of(received), np.arange(20 * 256))

    def test_silence_in_mid_run(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(session_module, "SILENCE_S", 0.4)
        monkeypatch.setattr(session_module, "REPLY_S", 0.05)
        with conversation(Script(silent_at=4)) as (session, _):
            session.configure()
            session.start(1)
            received, error = listen_till_it_fails(session)
            assert isinstance(error, SilentError)
            assert "fell silent" in str(error)
            assert len(samples_of(received)) == 4 * 256

    def test_a_board_left_streaming_is_stopped_first(self) -> None:
        with StandIn() as board:
            board.leave_streaming(777)
            with Session(open_port(board.url)) as session:
                assert session.identity.streaming
                assert not board.streaming
                session.configure()
                session.start(778)
                assert samples_of(listen(session, enough(500)))[0] == 0

    def test_settings_that_change_in_mid_run(self) -> None:
        foreign = messages.pack(
            messages.BLOCK,
            run_id=1,
            number=9,
            first_index=9,
            tick_first=0,
            tick_last=0,
            count=0,
            sample_bytes=3,
            channels=1,
            flags=0,
            lost=0,
            settings_id=1,
        )
        script = Script(text_at={2: frame.build(messages.BLOCK, 0, foreign)})
        with conversation(script) as (session, _):
            session.configure()
            with pytest.raises(TalkError, match="changed its settings"):  # noqa: PT012
                session.start(1)  # which may see the first blocks already
                listen(session, enough(2000))

    def test_quit(self) -> None:
        with conversation() as (session, board):
            session.quit()
            assert board.heard[-1] == messages.QUIT

    def test_no_reply_in_the_end(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(session_module, "REPLY_S", 0.05)
        with conversation() as (session, board):
            board.script.ignore = 99
            with pytest.raises(SilentError, match=r"3 tries of 0\.05 s"):
                session.quit()
            assert board.heard.count(messages.QUIT) == 3

    def test_closing_stops_the_run(self) -> None:
        with StandIn() as board:
            with Session(open_port(board.url)) as session:
                session.configure()
                session.start(1)
            assert not board.streaming
