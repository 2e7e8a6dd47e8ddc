"""A stand-in for a board at its MicroPython prompt, on a pty, for mpremote to talk to.

Speaks the friendly and the raw prompt and raw paste mode (docs.micropython.org, "The MicroPython
Interactive Interpreter Mode"). Code runs in the real interpreter, in a process whose folder is the board's
file system. Before that it may run the anviltrace script, played by :class:`StandIn`, until told to quit.
"""

from __future__ import annotations

import os
import select
import struct
import subprocess
import sys
from pathlib import Path

from standin import Script, StandIn

from anvilwire import messages

_DRIVER = """
import io, sys
names = {"__name__": "__main__"}
while True:
    line = sys.stdin.buffer.readline()
    if not line:
        break
    code = sys.stdin.buffer.read(int(line)).decode()
    told = ""
    try:
        exec(code, names)
    except SystemExit:
        break
    except BaseException as error:
        text = io.StringIO()
        sys.print_exception(error, text)
        told = text.getvalue()
    sys.stdout.write("\\x04" + told + "\\x04")
"""
_MACHINE = "import sys\n\n\ndef reset():\n    sys.exit()\n"
_MICROPYTHON = "import sys, micropython_unix; sys.exit(micropython_unix.main())"
_RAW = b"raw REPL; CTRL-B to exit\r\n>"
_WINDOW = 256


class PromptBoard(StandIn):
    """A board whose files lie in ``folder``/flash; ``resets`` counts its restarts."""

    def __init__(self, folder: Path, script: Script | None = None, *, running: bool = False) -> None:
        super().__init__(script)
        self.flash = folder / "flash"
        self.resets = 0
        self._at_prompt = not running
        self._raw = False
        self._typed = b""
        self._inbox = bytearray()
        self._library = folder / "library"
        self.flash.mkdir(parents=True)
        self._library.mkdir()
        (self._library / "driver.py").write_text(_DRIVER)
        (self._library / "machine.py").write_text(_MACHINE)
        self._interpreter = self._power_up()

    def __exit__(self, *error: object) -> None:
        super().__exit__(*error)  # type: ignore[arg-type]
        self._power_down()

    def files(self) -> set[str]:
        """The paths of the files on the board."""
        return {path.relative_to(self.flash).as_posix() for path in self.flash.rglob("*") if path.is_file()}

    def _power_up(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-I", "-c", _MICROPYTHON, str(self._library / "driver.py")],
            cwd=self.flash,
            env={**os.environ, "MICROPYPATH": f"{self._library}{os.pathsep}.frozen"},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )

    def _power_down(self) -> None:
        assert self._interpreter.stdin is not None
        assert self._interpreter.stdout is not None
        self._interpreter.stdin.close()
        self._interpreter.wait(10)
        self._interpreter.stdout.close()

    def _restart(self) -> None:
        self._power_down()
        self._interpreter = self._power_up()

    def _listen(self, wait_s: float) -> None:
        if not self._at_prompt:
            super()._listen(wait_s)
            if messages.QUIT in self.heard:
                self._at_prompt = True
                self._write(b"\r\n>>> ")
            return
        if select.select([self._master], [], [], wait_s)[0]:
            self._inbox += os.read(self._master, 4096)
        while self._inbox:
            self._type(self._next_byte())

    def _type(self, byte: bytes) -> None:
        if byte == b"\x01":
            self._raw, self._typed = True, b""
            self._write(_RAW)
        elif byte == b"\x02":
            self._raw, self._typed = False, b""
            self._write(b"\r\nMicroPython on a stand-in\r\n>>> ")
        elif byte == b"\x03":
            self._typed = b""
            self._write(b"" if self._raw else b"\r\n>>> ")
        elif not self._raw:
            self._write(b"\r\n>>> " if byte == b"\r" else byte)
        elif byte == b"\x04":
            self._end_of_input()
        else:
            self._typed += byte
            if self._typed == b"\x05A":
                self._paste()

    def _end_of_input(self) -> None:
        code, self._typed = self._typed.replace(b"\r", b""), b""
        if code:
            self._write(b"OK")
            self._execute(code)
        else:
            self._restart()
            self._write(b"OK\r\nMPY: soft reboot\r\n" + _RAW)

    def _paste(self) -> None:
        """Take code in windows of a few bytes; the byte after the request, Ctrl-A, belongs to it."""
        assert self._next_byte() == b"\x01"
        self._write(b"R\x01" + struct.pack("<H", _WINDOW) + b"\x01")
        code = b""
        while (byte := self._next_byte()) != b"\x04":
            code += byte
            if len(code) % _WINDOW == 0:
                self._write(b"\x01")
        self._typed = b""
        self._write(b"\x04")
        self._execute(code)

    def _next_byte(self) -> bytes:
        while not self._inbox:
            if self._stopping.is_set():
                return b"\x04"
            if select.select([self._master], [], [], 0.1)[0]:
                self._inbox += os.read(self._master, 4096)
        return bytes([self._inbox.pop(0)])

    def _execute(self, code: bytes) -> None:
        assert self._interpreter.stdin is not None
        assert self._interpreter.stdout is not None
        self._interpreter.stdin.write(b"%d\n%s" % (len(code), code))
        ends = 0
        while ends < 2:
            printed = self._interpreter.stdout.read(4096)
            if not printed:  # machine.reset()
                self.resets += 1
                self._raw = False
                self._restart()
                return
            ends += printed.count(b"\x04")
            self._write(printed)
        self._write(b">")
