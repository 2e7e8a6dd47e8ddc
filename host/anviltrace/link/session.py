"""A conversation with a board: who are you, use these settings, start, stop."""

from __future__ import annotations

import random
import time
from types import TracebackType
from typing import Any, Self

import numpy as np

from anviltrace.errors import RefusedError, SilentError, TalkError, VersionError
from anviltrace.link.burst import Burst, must_carry
from anviltrace.link.events import (
    Alive,
    BoardError,
    Damage,
    Event,
    Finished,
    Recovered,
    Text,
    Totals,
)
from anviltrace.link.identity import Identity, identity_from, settings_from
from anviltrace.link.line import Line
from anviltrace.link.recovery import Recovery
from anviltrace.link.sensors import Sensor, sensor_from, side_from
from anviltrace.link.stream import Batch, StreamReader
from anviltrace.records import Settings
from anvilwire import messages
from anvilwire.frame import VERSION, Frame

REPLY_S = 0.5
SLOW_REPLY_S = 2.5
"""For CONFIGURE and START, while the converter calibrates itself."""
TRIES = 3

FIRST_CONTACT_S = 4.0
"""How long a board may take to answer: opening the port may power it up, and it then waits for Ctrl-C."""

SILENCE_S = 5.0
"""A running board that says nothing for so long is gone: it sends a heartbeat every half second."""

_FIRST_BYTES = 512
"""Kept to tell what else may be talking there; so many of them are quoted:"""
_QUOTED_BYTES = 32
_REPLY = 0x40
_LOOK_AGAIN_S = 0.02

REFUSALS = {
    messages.UNKNOWN_REQUEST: "it does not know this request: its script is older, install the current one",
    messages.MALFORMED: "it found the request too short: install the script of this version",
    messages.WRONG_VERSION: "it speaks another protocol version: install the script of this version",
    messages.BUSY: "it is streaming: stop the run first",
    messages.NOT_ON_OFFER: "this rate or gain is not on offer",
    messages.NOT_CONFIGURED: "it has no settings yet: configure it first",
    messages.OTHER_SETTINGS: "its settings are no longer those agreed on: configure it again",
    messages.CONVERTER_SILENT: "its converter does not answer: check the wiring and supply of the converter",
    messages.NOT_SUPPORTED: "its script cannot do this",
    messages.NO_SUCH_RUN: "it knows no such run: it was reset meanwhile",
}
"""Why a board refuses, and what to do."""


class Session:
    """A conversation over an open pyserial port, which the session owns and closes.

    Making one finds out who is there (``identity``, and its side sensors: ``sensors``) and ends a run that an
    earlier host left behind.
    Whatever arrives beside replies is kept until :meth:`poll` fetches it, and the line is kept alive by a
    thread, so the caller may take its time. Blocks come in order: one that is missing is asked for again, and
    what follows waits for it (see ``recovery``). Used from one thread.

    Raises:
        SilentError: nothing answers within ``patience_s``.
        TalkError: something else is talking there.
        VersionError: the board speaks another protocol version.
        UnpluggedError: the port went away (any method may raise this).
    """

    def __init__(self, port: Any, patience_s: float = FIRST_CONTACT_S) -> None:
        self.port = port
        self.settings: Settings | None = None
        self._line = Line(port)
        self._reader = StreamReader()
        self._backlog: list[Event] = []
        self._request_id = random.randrange(1, 256)
        self._awaited: tuple[int, int] | None = None
        self._reply: dict[str, Any] | RefusedError | None = None
        self._first_bytes = b""
        self._echoes = False
        self._failure: TalkError | None = None
        self._run_id = 0
        self._running = False
        self._recovery = Recovery(0)
        self._is_burst = False
        self._resend_id = 0
        self._ending: Totals | None = None
        self._missed_the_end = False
        self._strange_run_id = 0
        self._signal_s = 0.0
        self._heard_at = time.monotonic()
        self._reported = Damage(0, 0, 0, 0)
        try:
            self.identity = self._make_contact(patience_s)
            if self.identity.streaming:
                self._end_strange_run()
            self.sensors = self._ask_for_sensors()
        except BaseException:
            self._line.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    @property
    def running(self) -> bool:
        """Whether a run is going on, as far as is known here."""
        return self._running

    @property
    def recovered(self) -> Recovered:
        """What had to be asked for again in the last run, so far."""
        return self._recovery.counts

    @property
    def fetching(self) -> bool:
        """Whether the board has ended the run and what is missing of it is on the way."""
        return self._ending is not None

    def configure(self, rate_hz: float | None = None, gain: int | None = None) -> Settings:
        """Agree on settings; None leaves a choice to the board. Returns what was applied.

        Raises:
            RefusedError: rate or gain is not on offer, or the converter does not answer.
            TalkError: the board applied something else than was asked for.
        """
        self.identity.must_offer(rate_hz, gain)
        asked_mhz = 0 if rate_hz is None else round(rate_hz * 1000)
        fields = self._request(messages.CONFIGURE, SLOW_REPLY_S, rate_mhz=asked_mhz, gain=gain or 0)
        settings = settings_from(fields, self.identity)
        if asked_mhz not in (0, fields["rate_mhz"]) or gain not in (None, settings.gain):
            raise TalkError(
                f"asked {self._name} for {rate_hz} Hz and gain {gain}, it applied {settings.rate_hz:g} Hz "
                f"and gain {settings.gain}: install the script of this version on it"
            )
        if fields["channels"] != 1:
            raise TalkError(f"{self._name} sends {fields['channels']} channels; this version records one")
        self.settings = settings
        self.sensors = self._ask_for_sensors()
        return settings

    def start(self, run_id: int) -> int:
        """Start a run (``run_id`` from 1 to 65535); returns the board's tick at the start, µs modulo 2^30.

        Raises:
            RefusedError: not configured, the converter does not answer, or the board's link is too slow for
                the rate.
        """
        if self.settings is not None:
            must_carry(self.identity, self.settings.rate_hz)
        return self._start(messages.START, run_id, Recovery(self.identity.window_blocks))

    def start_burst(self, run_id: int, burst: Burst) -> int:
        """Start a run that the board keeps in memory; returns the board's tick at the start.

        :meth:`poll` gives its blocks and then :class:`Finished` when it is complete, or :meth:`stop` ends it
        early: then its blocks are those up to there.

        Raises:
            RefusedError: not configured, the converter does not answer, or the burst is longer than the
                board's memory.
        """
        recovery = Recovery(self.identity.window_blocks, is_burst=True)
        return self._start(
            messages.BURST,
            run_id,
            recovery,
            trigger=messages.TRIGGER_AT_ONCE if burst.level_counts is None else messages.TRIGGER_ON_LEVEL,
            level_counts=burst.level_counts or 0,
            before_blocks=burst.before_blocks,
            blocks=burst.blocks,
        )

    def _start(self, kind: int, run_id: int, recovery: Recovery, **fields: int) -> int:
        if self.settings is None:
            raise RefusedError(
                f"{self._name} has no settings yet: configure it first", messages.NOT_CONFIGURED
            )
        self._forget_old_signal()
        self._failure = self._ending = None
        self._missed_the_end = False
        self._run_id, self._running, self._signal_s = run_id, True, 0.0
        self._recovery, self._is_burst = recovery, kind == messages.BURST
        self._reported = self._damage_so_far()
        try:
            reply = self._request(
                kind, SLOW_REPLY_S, settings_id=self.settings.wire_id, run_id=run_id, **fields
            )
        except BaseException:
            self._running = False
            raise
        return int(reply["tick"])

    def poll(self, timeout_s: float = 0.1) -> list[Event]:
        """What has arrived since the last call, in order; waits up to ``timeout_s`` if there is nothing.

        Raises:
            SilentError: a run is going on and the board has been silent for too long.
        """
        if self._failure is None:
            self._receive_for_later(0.0 if self._backlog else timeout_s)
        if self._missed_the_end and self._failure is None:
            self._ask_for_totals()
        if self._running and not self._backlog and time.monotonic() - self._heard_at > SILENCE_S:
            self._fail(
                SilentError(
                    f"{self._name} fell silent in mid-run, nothing for {SILENCE_S:g} s: check cable and "
                    "supply, press its reset, then start again"
                )
            )
        events, self._backlog = self._backlog, []
        if self._failure is not None and not events:
            raise self._failure
        return events

    def stop(self) -> Totals:
        """Stop the run and get what is missing of it, as far as it can be had.

        What arrived before its end is still to be fetched with :meth:`poll`.

        Raises:
            RefusedError: the board does not know the run (it was reset meanwhile).
        """
        totals = _totals(self._request(messages.STOP, REPLY_S, run_id=self._run_id))
        self._end_run(totals)
        while not self._recovery.done and self._failure is None:
            self._receive_for_later(_LOOK_AGAIN_S)
        self._ending = None
        return totals

    def quit(self) -> None:
        """Ask the board to leave its script and show its prompt."""
        self._request(messages.QUIT, REPLY_S)

    def close(self) -> None:
        """Stop a run still going on, as far as the board listens, and close the port."""
        try:
            if self._running:
                self.stop()
        except TalkError:
            pass
        finally:
            self._line.close()

    # first contact

    @property
    def _name(self) -> str:
        return f"the board on {self._line.name}"

    def _make_contact(self, patience_s: float) -> Identity:
        self._line.send_delimiter()
        request_id = self._next_id()
        deadline = time.monotonic() + patience_s
        while time.monotonic() < deadline:
            self._line.send(messages.IDENTITY, messages.pack(messages.IDENTITY, request_id=request_id))
            wait_s = min(REPLY_S, deadline - time.monotonic())
            if (fields := self._await_reply(messages.IDENTITY, request_id, wait_s)) is not None:
                self._line.beating = True
                return identity_from(fields)
        raise self._no_contact(patience_s)

    def _no_contact(self, patience_s: float) -> TalkError:
        name, quoted = self._line.name, self._first_bytes[:_QUOTED_BYTES]
        if b">>>" in self._first_bytes:
            return TalkError(
                f"the board on {name} is at its MicroPython prompt: press its reset to start the script, or "
                "install the script first"
            )
        if self._echoes:
            return TalkError(
                f"port {name} sends back what it is sent: no board is there; choose another port"
            )
        if quoted and not self._reader.frames:
            return TalkError(
                f"port {name} talks something else, it begins with {quoted!r}: choose the port of the board, "
                "check the speed of a UART"
            )
        return SilentError(
            f"nothing on port {name} answered within {patience_s:g} s: check that this is the board's port, "
            "that it has power and the script on it, press its reset"
        )

    def _ask_for_sensors(self) -> tuple[Sensor, ...]:
        """What the side sensors are; each is asked for by its number."""
        numbers = range(self.identity.sensors)
        return tuple(
            sensor_from(self._request(messages.SENSOR, REPLY_S, sensor=number)) for number in numbers
        )

    def _end_strange_run(self) -> None:
        """An earlier host left the board streaming: find out which run it is, and stop it."""
        deadline = time.monotonic() + 2 * messages.BOARD_ALIVE_S
        while not self._strange_run_id and time.monotonic() < deadline:
            self._receive(0.1)
        try:
            self._request(messages.STOP, REPLY_S, run_id=self._strange_run_id)
        except RefusedError as error:
            if error.code != messages.NO_SUCH_RUN:
                raise
        self._forget_old_signal()

    def _forget_old_signal(self) -> None:
        """What the board said in words is worth keeping beyond the run it belongs to, the rest is not."""
        self._backlog = [event for event in self._backlog if isinstance(event, Text | BoardError)]

    # requests

    def _next_id(self) -> int:
        self._request_id = self._request_id % 255 + 1
        return self._request_id

    def _request(self, kind: int, timeout_s: float, **fields: int) -> dict[str, Any]:
        request_id = self._next_id()
        payload = messages.pack(kind, request_id=request_id, **fields)
        for _ in range(TRIES):
            self._line.send(kind, payload)
            reply = self._await_reply(kind, request_id, timeout_s)
            if reply is not None:
                return reply
        raise SilentError(
            f"{self._name} did not answer, {TRIES} tries of {timeout_s:g} s: check the cable, press its reset"
        )

    def _await_reply(self, kind: int, request_id: int, timeout_s: float) -> dict[str, Any] | None:
        self._awaited, self._reply = (kind, request_id), None
        deadline = time.monotonic() + timeout_s
        while self._reply is None and (left_s := deadline - time.monotonic()) > 0:
            self._receive(left_s)
        self._awaited = None
        if isinstance(self._reply, RefusedError):
            raise self._reply
        return self._reply

    def _refusal(self, code: int, text: str) -> RefusedError:
        words = REFUSALS.get(code, f"code {code}, {text}")
        told = [event.text for event in self._backlog if isinstance(event, BoardError)]
        if code == messages.CONVERTER_SILENT and told:
            words += f" (it says: {told[-1]})"
        return RefusedError(f"{self._name} refuses: {words}", code)

    # whatever arrives

    def _receive(self, timeout_s: float) -> None:
        """Take what is there and sort it, and ask for what is missing unless a reply is waited for."""
        data = self._line.take(timeout_s)
        if data:
            self._sort(data)
        if self._awaited is None:
            self._ask_again()
        self._backlog += self._recovery.ready()
        if self._ending is not None and self._recovery.done:
            self._backlog.append(Finished(self._ending))
            self._ending = None

    def _sort(self, data: bytes) -> None:
        """Replies go to whom they are awaited by, blocks to where they are put in order, the rest waits."""
        if len(self._first_bytes) < _FIRST_BYTES:
            self._first_bytes += data[:_FIRST_BYTES]
        batch = self._reader.feed(data)
        self._backlog += [Text(text) for text in batch.notices]
        self._note_damage()
        if len(batch.blocks) or batch.frames:
            self._heard_at = time.monotonic()
        self._take_blocks(batch)
        for _, frame in batch.frames:
            self._take_frame(frame)

    def _receive_for_later(self, timeout_s: float) -> None:
        """As :meth:`_receive`, but an error waits until what came before it has been fetched."""
        try:
            self._receive(timeout_s)
        except TalkError as error:
            self._fail(error)

    def _fail(self, error: TalkError) -> None:
        """The error is raised once what came before it has been fetched; nothing more is waited for."""
        self._failure = error
        self._recovery.give_up()
        self._backlog += self._recovery.ready()

    def _ask_again(self) -> None:
        wish = self._recovery.wish(time.monotonic())
        if wish is None:
            return
        self._resend_id = self._next_id()
        first, count = wish
        fields = {"run_id": self._run_id, "block_number": first, "count": count}
        payload = messages.pack(messages.RESEND, request_id=self._resend_id, **fields)
        self._line.send(messages.RESEND, payload)

    def _ask_for_totals(self) -> None:
        """The board has ended the run, and its word of that was lost."""
        self._missed_the_end = False
        try:
            totals = _totals(self._request(messages.STOP, REPLY_S, run_id=self._run_id))
        except TalkError as error:
            self._fail(error)
            return
        if self._running:
            self._take_finished(totals)

    def _take_blocks(self, batch: Batch) -> None:
        if not len(batch.blocks):
            return
        table, samples = batch.blocks, batch.samples
        ours = table["run_id"] == self._run_id
        if not ours.all():
            self._strange_run_id = int(table["run_id"][~ours][-1])
            samples = samples[np.repeat(ours, table["count"])]
            table = table[ours]
            if not len(table):
                return
        if self.settings is None or (table["settings_id"] != self.settings.wire_id).any():
            raise TalkError(f"{self._name} changed its settings in mid-run: start the run again")
        self._recovery.take(table, samples, time.monotonic())
        self._backlog += self._recovery.ready()
        self._signal_s += len(samples) / self.settings.rate_hz
        if self._signal_s >= messages.HOST_ALIVE_S:
            self._signal_s = 0.0
            self._line.beat()

    def _take_frame(self, frame: Frame) -> None:
        if frame.version != VERSION:
            raise self._other_version(frame)
        if frame.kind not in messages.FIELDS:
            return
        try:
            fields = messages.unpack(frame.kind, frame.payload)
        except messages.MessageError as error:
            self._backlog.append(Text(f"unreadable message from the board: {error}"))
            return
        if self._is_reply(frame.kind, fields):
            self._reply = fields
            if frame.kind == messages.REFUSED:
                self._reply = self._refusal(fields["code"], fields["text"])
        elif self._is_about_resending(frame.kind, fields):
            self._take_resending(frame.kind, fields)
        elif frame.kind == messages.BOARD_ALIVE:
            self._take_alive(Alive(**fields))
        elif frame.kind == messages.ERROR:
            self._backlog.append(BoardError(fields["code"], fields["text"]))
        elif frame.kind == messages.FINISHED:
            self._take_finished(_totals(fields))
        elif frame.kind == messages.SIDE:
            self._take_side(fields, frame.payload)
        elif frame.kind < _REPLY:
            self._echoes = True

    def _is_reply(self, kind: int, fields: dict[str, Any]) -> bool:
        if self._awaited is None or fields.get("request_id") != self._awaited[1]:
            return False
        if kind == messages.REFUSED:
            return bool(fields["request_kind"] == self._awaited[0])
        return kind == self._awaited[0] | _REPLY

    def _is_about_resending(self, kind: int, fields: dict[str, Any]) -> bool:
        if kind == messages.RESENDING:
            return True
        ours = fields.get("request_id") == self._resend_id
        return ours and kind == messages.REFUSED and fields["request_kind"] == messages.RESEND

    def _take_resending(self, kind: int, fields: dict[str, Any]) -> None:
        if kind == messages.REFUSED:
            self._recovery.refused()
        elif fields["run_id"] == self._run_id:
            self._recovery.answered(fields["oldest"])

    def _take_alive(self, alive: Alive) -> None:
        if alive.state == messages.STREAMING and alive.run_id != self._run_id:
            self._strange_run_id = alive.run_id
        if alive.state == messages.IDLE and alive.run_id == self._run_id and self._running:
            self._missed_the_end = self._awaited is None
        if self._running and self._is_burst:
            self._line.beat()  # no signal comes in that would tell how fast the board's time goes
        self._backlog.append(alive)

    def _take_side(self, fields: dict[str, Any], payload: bytes) -> None:
        side = side_from(fields, payload)
        if side is None:
            self._backlog.append(Text("unreadable samples of a side sensor: left out"))
        elif fields["run_id"] == self._run_id:
            self._backlog.append(side)

    def _take_finished(self, totals: Totals) -> None:
        if self._running and totals.run_id == self._run_id:
            self._end_run(totals)
            self._ending = totals

    def _end_run(self, totals: Totals) -> None:
        self._running = False
        self._missed_the_end = False
        self._recovery.end(totals.blocks, totals.first_block)

    def _note_damage(self) -> None:
        now, before = self._damage_so_far(), self._reported
        if now != before:
            self._reported = now
            self._backlog.append(
                Damage(
                    now.damaged - before.damaged,
                    now.dropped_bytes - before.dropped_bytes,
                    now.missed - before.missed,
                    now.malformed - before.malformed,
                )
            )

    def _damage_so_far(self) -> Damage:
        reader = self._reader
        return Damage(reader.damaged, reader.dropped_bytes, reader.missed, reader.malformed)

    def _other_version(self, frame: Frame) -> VersionError:
        firmware = ""
        if frame.kind == messages.IDENTIFIED:
            known = messages.unpack_frozen_identity(frame.payload)
            firmware = ", script {firmware_major}.{firmware_minor}.{firmware_patch}".format(**known)
        return VersionError(
            f"{self._name} speaks protocol version {frame.version}{firmware}; this program speaks version "
            f"{VERSION}: install the script that belongs to this program on the board"
        )


def _totals(fields: dict[str, Any]) -> Totals:
    return Totals(**{name: fields[name] for name in Totals.__dataclass_fields__})
