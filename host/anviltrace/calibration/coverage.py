"""From standard uncertainties to intervals: effective degrees of freedom, and the factor for them.

Beside them the tolerance interval, in which a share of all single values lies rather than their mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, ndtr, ndtri, stdtrit

Numbers = npt.NDArray[np.float64]

COVERAGE = 0.95
"""Probability that an expanded uncertainty is stated for."""
_ROUNDING = 1e-9
"""A sum this little below a whole number of degrees is that number."""
_MANY, _ENDLESS = 30.0, 1e6
"""Degrees from which a decimal tells nothing, and from which they might as well be infinite."""


def coverage_factor(degrees: float, probability: float = COVERAGE) -> float:
    """Student's t for a two-sided interval, 95 % unless stated, with ``degrees`` of freedom, maybe infinite.

    Degrees from 1 on that are not a whole number are truncated to the next lower one (JCGM 100:2008, G.4.1,
    where interpolating is the other way): few degrees from readings make the sum of Welch-Satterthwaite too
    large whenever the readings happen to lie close together.
    """
    upper = 0.5 * (1.0 + probability)
    if math.isinf(degrees):
        return float(ndtri(upper))
    whole = max(math.floor(degrees * (1.0 + _ROUNDING)), 1) if degrees >= 1.0 - _ROUNDING else degrees
    return float(stdtrit(whole, upper))


def shown_degrees(degrees: float) -> str:
    """Degrees of freedom as text, to one decimal where few; cut off, so that no factor looks too large."""
    if math.isinf(degrees) or degrees > _ENDLESS:
        return "∞"
    tenths = math.floor(10.0 * degrees * (1.0 + _ROUNDING))
    return f"{tenths // 10}" if degrees >= _MANY or tenths % 10 == 0 else f"{tenths / 10:.1f}"


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite: degrees of freedom of independent (standard uncertainty, dof) parts together.

    1 / Σ((u²/Σu²)²/ν), JCGM 100:2008, G.4.1. Neither this nor the sum of u² is rounded. Infinite where no
    part with finite ν contributes.
    """
    pairs = list(parts)
    total = math.fsum(u * u for u, _ in pairs)
    if total == 0.0:
        return math.inf
    weakness = math.fsum((u * u / total) ** 2 / dof for u, dof in pairs)
    return math.inf if weakness == 0.0 else 1.0 / weakness


@lru_cache
def tolerance_factor(count: int, content: float = COVERAGE, confidence: float = COVERAGE) -> float:
    """k such that mean ± k·s of ``count`` normal values holds a share ``content`` of all further ones.

    So it does with the probability ``confidence`` over samples. Exact, as in ISO 16269-6 (for 10 values
    3.393; the older tables of Bowker and of Weissberg and Beatty have 3.379): the probability over s, that of
    χ², is averaged over where the sample's mean happens to lie.

    Raises:
        ValueError: ``count`` is below 2: one value has no spread.
    """
    from scipy.optimize import brentq

    if count < 2:
        raise ValueError(f"{count} values: a tolerance interval needs two at least")
    offset = np.linspace(0.0, 8.0 / math.sqrt(count), 801)
    weight = 2.0 * np.exp(-0.5 * count * offset**2) * math.sqrt(0.5 * count / math.pi) * offset[1]
    weight[0] *= 0.5
    reach = _reach(offset, content)

    def missing(k: float) -> float:
        return float(weight @ chdtrc(count - 1, (count - 1) * (reach / k) ** 2)) - confidence

    return float(brentq(missing, 0.5, 1e4, xtol=1e-10))


def _reach(offset: Numbers, content: float) -> Numbers:
    """Half widths about ``offset``, shape (n,), within which a standard normal value lies as often as asked.

    By Newton's rule from above, where the content is a concave function of the half width.
    """
    reach = offset + ndtri(0.5 * (1.0 + content))
    for _ in range(60):
        upper, lower = reach + offset, reach - offset
        density = (np.exp(-0.5 * upper**2) + np.exp(-0.5 * lower**2)) / math.sqrt(2.0 * math.pi)
        reach = reach - (ndtr(upper) - ndtr(-lower) - content) / density
    return np.asarray(reach)
