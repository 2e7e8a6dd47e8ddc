"""What counts of the converter are worth: in µV/V of the bridge, and in torque."""

from __future__ import annotations

from dataclasses import dataclass

from anviltrace.metrics.figures import rounded, value_with_uncertainty
from anviltrace.records import ScaleKind, Settings
from anviltrace.units import TorqueUnit

_MV_PER_V_IN_UV = 1000.0


@dataclass(frozen=True, slots=True)
class Nominal:
    """A sensitivity that somebody names: so many mV/V at so many N·m. It is no calibration."""

    mv_per_v: float
    at_nm: float


@dataclass(frozen=True, slots=True)
class Sizes:
    """``uv_per_v`` and ``nm`` are what one count is, None where nobody knows; the ``_from`` say by what."""

    full_scale_code: int
    uv_per_v: float | None
    uv_from: str
    nm: float | None
    nm_from: str
    unit: TorqueUnit = TorqueUnit.NM

    def words(self, counts: float) -> str:
        """A size in all the units that are known, each rounded by itself."""
        whole = f"{self._shown(counts, None, 1.0)} counts"
        known = "" if self.uv_per_v is None else f" = {self.best(counts)}"
        return f"{whole}{known}{self.torque(counts)}"

    def best(self, counts: float, expanded: float | None = None) -> str:
        """A size in µV/V, or in counts where that is not known."""
        if self.uv_per_v is None:
            return f"{self._shown(counts, expanded, 1.0)} counts"
        return f"{self._shown(counts, expanded, self.uv_per_v)} µV/V"

    def torque(self, counts: float) -> str:
        """A size in torque, with an equals sign before it; empty where nobody knows it."""
        if self.nm is None:
            return ""
        return f" = {self._shown(counts, None, self.unit.from_nm(abs(self.nm)))} {self.unit}"

    def data(self, name: str, counts: float | None) -> dict[str, float | int | str | None]:
        """The same as numbers: ``name_counts``, ``name_uv_per_v`` and ``name_nm``."""
        uv, nm = self.uv_per_v, self.nm
        return {
            f"{name}_counts": counts,
            f"{name}_uv_per_v": None if uv is None or counts is None else uv * counts,
            f"{name}_nm": None if nm is None or counts is None else abs(nm) * counts,
        }

    def _shown(self, counts: float, expanded: float | None, factor: float) -> str:
        if not expanded:
            return rounded(counts * factor, 3)
        return value_with_uncertainty(counts * factor, expanded * factor)


def sizes_of(
    settings: Settings, counts_per_nm: float | None, nominal: Nominal | None, unit: TorqueUnit = TorqueUnit.NM
) -> Sizes:
    """What a count is worth with these settings: torque by the calibration, else by a named sensitivity."""
    uv, uv_from = _uv_per_v(settings)
    if counts_per_nm:
        nm, nm_from = 1.0 / counts_per_nm, "the calibration"
    elif nominal is not None and uv is not None:
        nm = uv / _MV_PER_V_IN_UV * nominal.at_nm / nominal.mv_per_v
        nm_from = f"a nominal {nominal.mv_per_v:g} mV/V at {nominal.at_nm:g} N·m"
    else:
        nm, nm_from = None, "neither a calibration nor a nominal sensitivity (--nominal) tells torque"
    return Sizes(settings.full_scale_code, uv, uv_from, nm, nm_from, unit)


def _uv_per_v(settings: Settings) -> tuple[float | None, str]:
    """µV/V of one count. A nominal excitation is good enough to judge noise, and is named."""
    ratio = settings.mv_per_v_per_count
    if ratio is not None:
        source = "ratiometric" if settings.scale_kind is ScaleKind.RATIO else "the measured excitation"
        return _MV_PER_V_IN_UV * ratio, source
    if settings.scale_kind is ScaleKind.VOLTAGE and settings.excitation_v:
        uv = 1e6 * settings.full_scale / settings.full_scale_code / settings.excitation_v
        return uv, f"a nominal excitation of {settings.excitation_v:g} V"
    return None, "the excitation is not known"
