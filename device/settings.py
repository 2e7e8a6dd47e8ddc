"""Pins and parts of THIS rig: the one file a builder edits.

Wired as in this example: a Raspberry Pi Pico and an ADS1256 module. Battery out of the tool before you
touch the wiring.
"""

BOARD = "pico"

# a file in converters/, and its pins by GPIO number
CONVERTER = "ads1256"
PINS = {"spi": 0, "sck": 18, "mosi": 19, "miso": 16, "cs": 17, "drdy": 20, "reset": 21}
# and "pio": 0, a state machine of an RP2040 or RP2350, which reads 3,750 to 30,000 samples a second
# CONVERTER = "ads1220"
# PINS = {"spi": 0, "sck": 18, "mosi": 19, "miso": 16, "cs": 17, "drdy": 20}
# CONVERTER = "hx711"
# PINS = {"clock": 14, "data": 15}  # and "pio": 0, a state machine of an RP2040 or RP2350
# CONVERTER = "nau7802"
# PINS = {"i2c": 0, "scl": 5, "sda": 4}  # and "drdy", where the module brings it out
# CONVERTER = "ownadc"
# PINS = {"adc": 26}  # and "smps": 23 on a Pico, to keep its supply from saving power: see WIRING.md

# HX711: what the RATE pin of the module is strapped to, 10 or 80 samples a second
RATE_HZ = 80

# rate and gain when the host names none: samples a second, and times; None for the converter's own
USUAL_RATE_HZ = None
USUAL_GAIN = None

# ADS1256: its voltage reference, and the excitation of the bridge, in microvolts; say True only if the
# excitation was measured with a meter (mV/V is withheld otherwise)
REFERENCE_UV = 2_500_000
EXCITATION_UV = 5_000_000
EXCITATION_MEASURED = False

# ownadc: whether ADC_VREF is the excitation of the bridge (if not, both are as above); the gain of the
# instrumentation amplifier, and the time constant of the RC behind it in nanoseconds
REFERENCE_IS_EXCITATION = True
AMPLIFIER_GAIN = 200
FILTER_NS = 27_000

# side sensors, recorded along with each run; each a file in sensors/ with its wiring. I2C sensors may share a
# bus, SPI sensors need one that the converter does not use; shunt_uohm is the shunt in millionths of an ohm
SENSORS = ()
# SENSORS = (
#     {"sensor": "ina226", "i2c": 1, "scl": 7, "sda": 6, "shunt_uohm": 500},  # or "ina238"
#     {"sensor": "adxl375", "spi": 1, "sck": 10, "mosi": 11, "miso": 12, "cs": 13},
#     {"sensor": "tmp117", "i2c": 1, "scl": 7, "sda": 6},
#     {"sensor": "contact", "pin": 22},
# )

# "usb", or ("uart", number, baud rate, tx pin, rx pin)
LINK = "usb"

# a pin that keeps the board at the prompt when held low at power-up, or None
ESCAPE_PIN = None
# seconds after power-up in which Ctrl-C stops the script
BOOT_WAIT_S = 2
# milliseconds after which a hung board restarts, at most 8388 on an RP2040; 0 for never
WATCHDOG_MS = 8000
