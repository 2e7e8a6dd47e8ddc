"""The weights file of a small workshop: a site, an arm of 0.8 m, a hanger and a plate."""

from __future__ import annotations

_FILE = """
[site]
latitude_deg = 52
height_m = 50

[preload]
{preload}

[reading]
{reading}

[[arm]]
name = "long arm"
length_m = 0.8
within_m = 0.0005

[[mass]]
name = "{hanger}"
mass_kg = 1.0
u_kg = 0.001

[[mass]]
name = "plate A"
mass_kg = 10.0
within_kg = 0.02
"""


def weights_file(
    more: str = "", preload: str = "count = 0", reading: str = "longest_s = 5", hanger: str = "hanger"
) -> str:
    """The text of the file; ``more`` comes at its end."""
    return _FILE.format(preload=preload, reading=reading, hanger=hanger) + more
