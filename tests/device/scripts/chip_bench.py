# A simulated chip on a bench of numbers, for scripts that check it: imported under both interpreters.
# The folder of the silicon comes as the script's first argument.
import sys

SILICON = sys.argv[1]
if sys.implementation.name == "cpython":
    from run import become_micropython

    become_micropython([SILICON])

from time import (  # noqa: E402, F401
    sleep_ms,
    sleep_us,
    ticks_add,
    ticks_diff,
    ticks_ms,
    ticks_us,
)

import clock  # noqa: E402
import front  # noqa: E402

ADS_PINS = {"spi": 0, "sck": 18, "mosi": 19, "miso": 16, "cs": 17, "drdy": 20, "reset": 21}
HX_PINS = {"clock": 14, "data": 15}
OWN_PINS = {"adc": 26}
NAU_PINS = {"i2c": 0, "scl": 5, "sda": 4, "drdy": 6}
PINS = {"ads1220": ADS_PINS, "ads1256": ADS_PINS, "hx711": HX_PINS, "nau7802": NAU_PINS, "ownadc": OWN_PINS}
FRONT_PS = {
    "ads1220": 172_607_422,
    "ads1256": 33_333_333,
    "hx711": 12_500_000_000,
    "nau7802": 3_125_000_000,
    "ownadc": 20_000_000,
}


class Settings:
    CONVERTER = ""
    PINS = None
    REFERENCE_UV = 2_500_000
    REFERENCE_IS_EXCITATION = True
    EXCITATION_UV = 3_300_000
    EXCITATION_MEASURED = False
    AMPLIFIER_GAIN = 200
    FILTER_NS = 27_000


sys.modules["settings"] = Settings


class Input:
    """What the bench delivers, and a fault to come."""

    def __init__(self):
        self.rendered = 0
        self.fault = (0, 0)

    def give(self, value, fault=(0, 0)):
        """From now on ``value``, a number or a function of numbers; forget what was fetched ahead."""
        self.value = value if callable(value) else None
        self.constant = value
        self.fault = fault
        front.count = 0

    def fetch(self, wanted):
        for i in range(wanted):
            number = self.rendered + i
            front.values[front.count + i] = self.value(number) if self.value else self.constant
        front.count += wanted
        self.rendered += wanted
        if self.fault[0]:
            front.fault, front.fault_argument = self.fault
            self.fault = (0, 0)


def power_up(converter, front_ps=0):
    """Switch the board on; return (the chip, its input)."""
    from array import array

    Settings.CONVERTER = converter
    Settings.PINS = PINS[converter]
    sys.modules["settings"] = Settings
    front.period_ps = front_ps or FRONT_PS[converter]
    front.batch = max(50_000_000_000 // front.period_ps, 1)
    front.values = array("i", [0] * front.batch)
    given = Input()
    given.give(0)
    front._fetch = given.fetch
    clock.begin()
    import machine

    machine.power_up(bytes(8))
    return machine.chip, given


class Block:
    """The block of a station, as a list."""

    def __init__(self):
        self.codes = []
        self.lost = 0
        self.count = 0
        self.doubted = 0

    def room(self):
        return 256

    def put(self, code, _tick):
        self.codes.append(code)

    def lose(self, count):
        self.lost += count

    def mark_glitch(self):
        self.doubted += 1


def expect(found, wanted):
    assert found == wanted, "%r, not %r" % (found, wanted)


def collect(converter, count):
    block = Block()
    while len(block.codes) < count:
        converter.fill(block)
        clock.idle()
    return block


def fails(function, words):
    """It must raise a driver's error that says so."""
    from converters import ConverterError
    from sensors import SensorError

    said = "nothing"
    try:
        function()
    except (ConverterError, SensorError) as error:
        said = str(error)
    assert words in said, said


def run_check(checks):
    """Run the check that the second argument names."""
    checks[sys.argv[2]]()
