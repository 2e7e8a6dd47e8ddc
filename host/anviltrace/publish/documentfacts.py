"""The part of a calibration document about method, rig, instruments, arm and weights."""

from __future__ import annotations

import math

from anviltrace.calibration.course import read_outline
from anviltrace.metrics.figures import rounded, value_with_uncertainty
from anviltrace.publish.arms import stated_length, tell_empty_arm
from anviltrace.publish.document import Document
from anviltrace.publish.sought import NOT_ON_RECORD
from anviltrace.publish.words import plural
from anviltrace.records import Arm, Mass, ScaleKind, Settings, readable_time
from anviltrace.units import TorqueUnit

Facts = list[tuple[str, str]]
SIX_DIGITS = 6


def method(document: Document) -> list[str]:
    steps = [one.step for one in document.taken]
    series, mountings = {step.series for step in steps}, {step.mounting for step in steps}
    lengths = sorted({round(step.samples / document.made.settings.rate_hz, 2) for step in steps})
    window = " to ".join(f"{one:g}" for one in dict.fromkeys((lengths[0], lengths[-1])))
    mounting = "one mounting" if len(mountings) == 1 else f"{len(mountings)} mountings"
    return [
        "Dead weights hung on a lever arm, rig and converter as they are for runs. Reference torque: "
        "T = m·g·(1 − ρ₁/ρ₂)·L·cos θ, with ρ₁ and ρ₂ the densities of air and weight and θ the angle of the "
        "arm against the horizontal; what hung at the zero readings, the bare arm with it, is in the zero. "
        "Where the empty arm is described, what its moment changes with the angle is added.",
        f"{plural(len(steps), 'reading')} in {len(series)} series and {mounting}. Each is the mean of "
        f"{window} s of steady signal, weighted with a raised cosine, less the mean of its series' zeros.",
        "Straight line through zero by least squares over all readings under load. Errors that loads have in "
        "common (arm, gravity, air, weights used again) stay common and do not shrink with repetition.",
        *_turns(document),
        _warm_up(document),
    ]


def _warm_up(document: Document) -> str:
    stated = document.said("warm-up")
    if stated:
        return f"Warming up and preloads, as stated: {stated}."
    return f"Preloads and the time of warming up are {NOT_ON_RECORD}, unless the note names them."


def _turns(document: Document) -> list[str]:
    """How the arm was turned on between mountings, as the course on record asks for it."""
    outline = read_outline(document.made.calibration.course)
    if outline is None or outline.mountings < 2:
        return []
    part_deg = 360.0 / outline.mountings
    positions = (f"{number}: {(number - 1) * part_deg:g}°" for number in range(1, outline.mountings + 1))
    return [f"The course has the arm turned on between mountings, by mounting: {', '.join(positions)}."]


def rig(document: Document) -> Facts:
    board, settings, session = document.board, document.made.settings, document.session
    return [
        (
            "rig",
            "; ".join(
                text for text in (document.rig.name, document.rig.kind.value, document.rig.note) if text
            ),
        ),
        (
            "transducer, adapters",
            document.said("item") or f"{NOT_ON_RECORD}, but for the rig's note",
        ),
        ("cable of the bridge", session.cable or NOT_ON_RECORD),
        ("board", f"{board.name}, number {board.unique_id}, firmware {board.firmware_version}"),
        ("converter", f"{board.converter}, {board.code_bits} bits"),
        ("gain and rate", f"{settings.gain}, {settings.rate_hz:g} samples/s (measured: {_rates(document)})"),
        ("scale", _scale(settings)),
        ("registers", settings.registers.hex(" ") or NOT_ON_RECORD),
        ("sitting", f"begun {readable_time(session.started_at)} UTC{_and(session.note)}"),
    ]


def _and(note: str) -> str:
    return f"; {note}" if note else ""


def _rates(document: Document) -> str:
    rates = [one.run.rate_hz for one in document.taken if one.run.rate_hz is not None]
    return f"{rounded(math.fsum(rates) / len(rates), SIX_DIGITS)} samples/s" if rates else NOT_ON_RECORD


def _scale(settings: Settings) -> str:
    if settings.scale_kind is ScaleKind.RATIO:
        return f"{settings.full_scale:g} mV/V at {settings.full_scale_code} counts, ratiometric"
    scale = f"{settings.full_scale:g} V at {settings.full_scale_code} counts"
    if settings.excitation_v is None:
        return f"{scale}; excitation {NOT_ON_RECORD}"
    return f"{scale}; excitation {settings.excitation_v:g} V, {settings.excitation_source}"


def _arm(arm: Arm) -> str:
    return f"{arm.name}, {stated_length(arm)}"


def _own(arm: Arm) -> str:
    if arm.own_mass_kg is None:
        return NOT_ON_RECORD
    mass = value_with_uncertainty(arm.own_mass_kg, 2.0 * arm.own_mass_u_kg)
    centre = value_with_uncertainty(1e3 * arm.own_centre_m, 2e3 * arm.own_centre_u_m)
    return f"{mass} kg, {centre} mm from the axis towards the weights (± 2 u, rectangular)"


def site(document: Document, unit: TorqueUnit) -> Facts:
    made, arm = document.made.calibration, document.made.arm
    gravity = value_with_uncertainty(made.gravity_m_per_s2, 2.0 * made.gravity_u_m_per_s2)
    air = value_with_uncertainty(made.air_density_kg_per_m3, 2.0 * made.air_density_u_kg_per_m3)
    return [
        ("arm", _arm(arm)),
        ("how it was measured", arm.note or NOT_ON_RECORD),
        ("angle against the horizontal", _angles(document, arm)),
        ("mass and centre of gravity of the empty arm", _own(arm)),
        ("moment of the empty arm", tell_empty_arm(document.empty_arm(), unit)),
        ("gravity ± 2 u", f"{gravity} m/s², {made.gravity_source}"),
        ("air density ± 2 u", f"{air} kg/m³"),
        ("temperature at the transducer", document.temperatures.text),
        *(("temperature, flagged", flag) for flag in document.temperatures.flags),
        ("humidity and the rest of the environment", document.said("environment") or NOT_ON_RECORD),
    ]


def _angles(document: Document, arm: Arm) -> str:
    angles = {one.step.angle_deg for one in document.taken if one.step.branch != "zero"}
    low, high = min(angles), max(angles)
    stated = f"{low:g}°" if low == high else f"{low:g}° to {high:g}° from load to load"
    return f"{stated}, known to ±{arm.angle_within_deg:g}°"


def weight(mass: Mass) -> list[str]:
    density = f"{value_with_uncertainty(mass.density_kg_per_m3, 2.0 * mass.density_u_kg_per_m3)}"
    return [
        mass.name,
        value_with_uncertainty(mass.mass_kg, 2.0 * mass.u_kg),
        mass.spread.value if mass.dof is None else f"{mass.spread.value}, {mass.dof:g} degrees of freedom",
        "conventional, 8000" if mass.conventional else density,
        mass.note or NOT_ON_RECORD,
    ]
