"""A calibration as JSON: facts and readings under a hash, results, and every raw count.

The hash is a sha256 over ``data`` as canonical JSON: keys sorted, no blanks, UTF-8, numbers as Python writes
them, fields that are empty left out. ``data`` holds what is on record, with the seals of the recordings, and
nothing that is computed from it, so the hash says whether two documents rest on the same calibration.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from anviltrace import __version__
from anviltrace.calibration.classes import WARNING
from anviltrace.calibration.conformity import DecisionRule
from anviltrace.calibration.coverage import COVERAGE, coverage_factor
from anviltrace.calibration.line import Line
from anviltrace.calibration.numbers import Numbers
from anviltrace.calibration.secondarm import ArmsAtLoad, SecondArm
from anviltrace.publish.arms import tell_second_arm
from anviltrace.publish.document import Document, Taken
from anviltrace.publish.recordings import Recorded
from anviltrace.publish.shunts import shunt_data, shunt_results
from anviltrace.records import Arm


def as_json(document: Document) -> str:
    """The whole document; quantities are in the units that their names carry, torques in N·m."""
    whole = {
        "kind": "calibration record",
        "software_version": __version__,
        "sha256": fingerprint(document),
        "data": data(document),
        "authorisations": [
            asdict(one) | {"data_are_what_was_authorised": one.data_hash == fingerprint(document)}
            for one in document.authorisations
        ],
        "results": _results(document),
        "disagreements": document.disagreements(),
    }
    text = json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False)
    recordings = ",\n".join(f"  {_plain(_recording(one))}" for one in _recordings(document))
    return f'{text[:-2]},\n "recordings": [\n{recordings}\n ]\n}}\n'


def fingerprint(document: Document) -> str:
    """The sha256 over the canonical JSON of :func:`data`, 64 hexadecimal digits."""
    return hashlib.sha256(_plain(data(document), sort_keys=True).encode("utf-8")).hexdigest()


def data(document: Document) -> dict[str, Any]:
    """What is on record: facts of calibration, rig, board, settings, arm and weights, and the readings."""
    made, session = document.made, document.session
    facts = {
        "calibration": asdict(made.calibration),
        "rig": asdict(document.rig),
        "board": asdict(document.board),
        "session": {name: value for name, value in asdict(session).items() if name != "ended_at"},
        "settings": asdict(made.settings) | {"registers": made.settings.registers.hex()},
        "arm": _arm(made.arm),
        "masses": [asdict(mass) for mass in document.masses],
        "bare": None if document.bare is None else asdict(document.bare),
        "remarks": [asdict(one) for one in document.remarks] or None,
        "temperatures": [asdict(one) for one in document.temperature_entries] or None,
        "readings": [_reading(one) for one in document.taken],
        "shunts": [shunt_data(one) for one in document.shunts] or None,
        "left_out": [{"reading": asdict(step), "decision": asdict(why)} for step, why in document.left_out],
    }
    found: dict[str, Any] = _without_empty(facts)
    return found


def _arm(arm: Arm) -> dict[str, Any]:
    """Without the empty arm where it is not described, as before it could be."""
    described = arm.own_mass_kg is not None
    return {name: value for name, value in asdict(arm).items() if described or not name.startswith("own_")}


def _reading(one: Taken) -> dict[str, Any]:
    return asdict(one.step) | {
        "recorded_at": one.run.started_at,
        "recorded_samples": one.run.samples,
        "measured_rate_hz": one.run.rate_hz,
        "seal": one.run.seal,
    }


def _results(document: Document) -> dict[str, Any]:
    """Everything that is computed, as it is used; an infinite number of degrees of freedom is left out."""
    line = document.fit.line
    results: dict[str, Any] = _without_empty(asdict(document.fit))
    return results | {
        "temperature_change_k": document.temperatures.change_k,
        "temperature_flags": list(document.temperatures.flags),
        "since_previous": None if document.change is None else asdict(document.change),
        "numbers": _without_empty(_numbers(document.numbers(), document.rule)),
        "shunts": _without_empty(shunt_results(document.shunts)),
        "empty_arm": _without_empty(asdict(document.empty_arm())),
        "coverage": COVERAGE,
        "coverage_factor": coverage_factor(line.dof),
        "u_covers_a_new_mounting": len({one.step.mounting for one in document.taken}) > 1,
        "expanded": [
            {"torque_nm": at_nm, "expanded_nm": line.expanded_nm(at_nm)} for at_nm in stated_torques_nm(line)
        ],
    }


def _numbers(numbers: Numbers, rule: DecisionRule) -> dict[str, Any]:
    highest_nm = numbers.quantities.levels[-1].torque_nm
    return {
        "quantities": asdict(numbers.quantities),
        "second_arm": None if numbers.basis.second is None else _second_arm(numbers.basis.second),
        "curve": {
            "degree": numbers.choice.degree,
            "why": numbers.choice.why,
            "coefficients_counts_per_nm_power": numbers.choice.curve.fit.coefficients.tolist(),
            "covariance": numbers.choice.curve.fit.covariance.tolist(),
        },
        "budgets": [asdict(numbers.budget(highest_nm, case)) for case in numbers.cases],
        "indicative_classes": [
            asdict(numbers.indicative_class(case, rule)) | {"warning": WARNING, "rule_means": rule.meaning}
            for case in numbers.cases
        ],
    }


def _second_arm(second: SecondArm) -> dict[str, Any]:
    return {
        "calibration_id": second.calibration_id,
        "arm": _arm(second.second),
        "levels": [_arms_at_load(level, second) for level in second.levels],
        "overall": None if second.overall is None else _arms_at_load(second.overall, second),
        "q": second.q,
        "told": tell_second_arm(second),
    }


def _arms_at_load(level: ArmsAtLoad, second: SecondArm) -> dict[str, Any]:
    return asdict(level) | {
        "b_l_percent": level.span_percent,
        "told_apart": level.told_apart,
        "q_b_l_percent": second.side_percent(level),
    }


def stated_torques_nm(line: Line) -> list[float]:
    """Where the uncertainty is stated: lowest, half, highest load, and as far as torque is not withheld."""
    return sorted({line.lowest_nm, 0.5 * line.highest_nm, line.highest_nm, line.limit_nm})


def _recordings(document: Document) -> Iterator[Recorded]:
    """Those of the readings in order of time, then those of the shunt."""
    yield from (one.recording for one in document.taken)
    for one in document.shunts:
        yield from one.recordings


def _recording(one: Recorded) -> dict[str, Any]:
    return {
        "run_id": one.run.id,
        "gaps": [_without_empty(asdict(gap)) for gap in one.gaps],
        "pieces": [{"first_index": first, "counts": counts.tolist()} for first, counts in one.pieces],
    }


def _plain(value: Any, *, sort_keys: bool = False) -> str:
    separators = (",", ":")
    return json.dumps(value, sort_keys=sort_keys, separators=separators, ensure_ascii=False, allow_nan=False)


def _without_empty(value: Any) -> Any:
    """Without fields that are None, empty text or infinite: a later field that nobody filled adds nothing."""
    if isinstance(value, dict):
        return {key: _without_empty(one) for key, one in value.items() if not _is_empty(one)}
    if isinstance(value, list | tuple):
        return [_without_empty(one) for one in value]
    return value


def _is_empty(value: Any) -> bool:
    return value is None or value == "" or (isinstance(value, float) and not math.isfinite(value))
