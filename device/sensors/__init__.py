"""Side sensors, one file each, all with the same small contract.

``Sensor(entry)`` in each file, with an entry of ``SENSORS`` in ``settings.py``, has

* ``name``, ``rate_mhz`` (nominal), and ``channels``, made with :func:`channel`;
* ``probe()`` finds the sensor; ``configure()`` sets it up and returns the register bytes read back;
  ``start(now)`` begins a run; ``collect(side)`` moves what is ready into the side; ``stop()`` reads the
  settings back.

A sensor's samples are two bytes a channel, signed. All of these raise SensorError; that ends the sensor for
the run and never the run. ``start`` and ``collect`` allocate nothing, and ``collect`` takes a bounded time:
a poll and the samples that are ready, since the converter's samples wait meanwhile.
"""

from time import ticks_diff

SAMPLE_BYTES = 2

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any


class SensorError(Exception):
    """The sensor does not answer, or does not do what it was told."""


def channel(
    quantity,
    unit,
    per_count_nano,
    limits=(-32768, 32767),
    zero_counts=0,
    delay_ns=0,
    delay_within_ns=0,
    within_ppm=0,
    within_zero_nano=0,
):
    """A channel as SENSOR_IS has it; ``protocol/SPEC.md`` says what each means."""
    return {
        "quantity": quantity,
        "unit": unit,
        "per_count_nano": per_count_nano,
        "zero_counts": zero_counts,
        "saturation_low": limits[0],
        "saturation_high": limits[1],
        "delay_ns": delay_ns,
        "delay_within_ns": delay_within_ns,
        "within_ppm": within_ppm,
        "within_zero_nano": within_zero_nano,
    }


def make(entry):
    """The sensor of an entry of ``SENSORS``."""
    return __import__("sensors." + entry["sensor"], None, None, ["Sensor"]).Sensor(entry)


class Pace:
    """When a sensor that converts by itself and is asked whether it is done will be ready next.

    It is not asked before seven eighths of a period have passed, so its bus stays quiet. A sample that is
    found was ready after the poll before, and seven eighths of a period after the one before it, at least.
    """

    def __init__(self, name, period_us):
        self._name = name
        self._period_us = period_us
        self._near_us = period_us - period_us // 8
        self._stale_us = 4 * period_us + 250_000
        self._last: "Any" = 0  # the last sample was found then
        self._asked: "Any" = 0  # and the last poll was then
        self._late = 0  # and was ready up to so long before
        self._any = False

    def start(self, now):
        """The sensor begins to convert now."""
        self._last = now
        self._asked = now
        self._late = 0
        self._any = False

    def is_near(self, now):
        """Whether it is worth asking."""
        return ticks_diff(now, self._last) + self._late >= self._near_us

    def not_yet(self, tick):
        """It was asked at ``tick`` and is not ready; raises SensorError when it should have been long ago."""
        self._asked = tick
        if ticks_diff(tick, self._last) > self._stale_us:
            raise SensorError(
                "%s: no new value for %d ms: reset, or broken wire" % (self._name, self._stale_us // 1000)
            )

    def found(self, side, tick):
        """It was asked at ``tick`` and is ready: note what was lost; return how late ``tick`` may be."""
        passed = ticks_diff(tick, self._last)
        waited = ticks_diff(tick, self._asked)
        if self._any:
            if waited < passed:  # it was asked in vain meanwhile, so nothing was ready before that
                lost = waited // self._period_us
            else:
                lost = (passed + self._period_us // 2) // self._period_us - 1
            if lost > 0:
                side.lose(lost)
                passed -= lost * self._period_us
        self._late = min(waited, max(passed + self._late - self._near_us, 0))
        self._any = True
        self._last = tick
        self._asked = tick
        return self._late
