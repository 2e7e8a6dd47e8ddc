"""Converter chips, one file each, all with the same small contract.

``Converter(settings)`` in each file has

* ``name``, ``code_bits``, ``full_scale_code``, ``saturation_low``, ``saturation_high``, ``scale_kind``,
  ``excitation_uv``, ``excitation_source``, ``default_rate_mhz``, ``default_gain``, perhaps
  ``polled``: ``fill`` itself finds out when a sample was ready, so it is called between side sensors, too;
* ``rates``: (rate in mHz, group delay in ns) on offer, ``gains``: (gain, full scale in nV/V or nV);
* ``probe()`` finds the chip; ``configure(rate_mhz, gain)`` sets it up and returns the register bytes read
  back; ``start()``; ``fill(block)`` moves samples that are ready into the block until it is full or a loss
  has to come first, and returns True in the latter case; ``stop()``.

All of these raise ConverterError; ``stop`` does when the chip no longer has its settings. ``start``,
``fill`` and ``stop`` allocate nothing.
"""


class ConverterError(Exception):
    """The chip does not answer, or does not do what it was told."""


def on_offer(offers, wanted):
    """The second member of the pair in ``offers`` whose first is ``wanted``, or None."""
    for value, other in offers:
        if value == wanted:
            return other
    return None
