"""What the board runs at power-up: hands the real streams and the settings to the station.

The way back to the prompt is never closed: Ctrl-C during the first BOOT_WAIT_S seconds, the escape pin
held low at power-up, the host's QUIT, or Ctrl-C twice while the board is idle. A watchdog cannot be
stopped once it runs, so with one the last two lead to the prompt through a restart.
"""

import os
import sys
from time import sleep_ms

import micropython

import machine
import settings
from byteport import Byteport, PortClosedError
from station import Station

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_STAY = "stay_at_prompt"
"""A file that exists from leaving the script until the restart that follows."""


def run(reader, writer):
    """Serve the host over two streams until it asks for the prompt; Ctrl-C is only a byte meanwhile."""
    micropython.kbd_intr(-1)
    try:
        station = Station(
            Byteport(reader, writer),
            _converter(),
            settings.BOARD,
            machine.unique_id(),
            _watchdog(),
            _link_bytes_per_s(),
            settings.SENSORS,
        )
        while _turn(station):
            pass
        _go_to_prompt()
    except PortClosedError:
        pass
    finally:
        micropython.kbd_intr(3)


def _go_to_prompt():
    if settings.WATCHDOG_MS:
        with open(_STAY, "w"):
            pass
        machine.reset()


def _told_to_stay():
    """Whether the script left for the prompt just before this restart; it holds once."""
    try:
        os.remove(_STAY)
    except OSError:
        return False
    return True


def _turn(station):
    try:
        return station.turn()
    except PortClosedError:
        raise
    except Exception as error:  # a fault of ours: tell the host, end the run, carry on
        station.report(_traceback(error))
        return True


def _traceback(error):
    import io

    text = io.StringIO()
    sys.print_exception(error, text)
    return text.getvalue()


def _converter():
    converter = __import__("converters." + settings.CONVERTER, None, None, ["Converter"]).Converter(settings)
    rate_hz: "Any" = settings.USUAL_RATE_HZ
    gain: "Any" = settings.USUAL_GAIN
    if rate_hz is not None:
        converter.default_rate_mhz = int(1000 * rate_hz)
    if gain is not None:
        converter.default_gain = gain
    return converter


def _watchdog():
    return machine.WDT(timeout=settings.WATCHDOG_MS) if settings.WATCHDOG_MS else None


def _escape_held():
    pin: "Any" = settings.ESCAPE_PIN
    return pin is not None and machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP)() == 0


def _link_bytes_per_s():
    """What a UART carries, at 10 bits a byte. What a USB port carries depends on the host: 0."""
    link: "Any" = settings.LINK
    return 0 if link == "usb" else link[2] // 10


def _streams():
    link: "Any" = settings.LINK
    if link == "usb":
        return sys.stdin.buffer, sys.stdout.buffer
    _, number, baudrate, tx, rx = link
    uart = machine.UART(
        number, baudrate=baudrate, tx=machine.Pin(tx), rx=machine.Pin(rx), txbuf=4096, rxbuf=512
    )
    return uart, uart


def power_up():
    """Wait a moment in which Ctrl-C works, then serve the host."""
    if _escape_held() or _told_to_stay():
        print("staying at the prompt; reset the board to start the script")
        return
    sleep_ms(1000 * settings.BOOT_WAIT_S)
    run(*_streams())


if __name__ == "__main__":
    power_up()
