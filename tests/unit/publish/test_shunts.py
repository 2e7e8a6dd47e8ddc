"""Shunt readings in the record of a calibration, in the report, and as flags of runs."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import recorded
from htmlreader import Reader
from sample_document import RATE_HZ, make_archive
from shuntreading import SHUNT, put_shunt
from workshop import fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import Gatherer
from anviltrace.publish.calibrations import calibration_parts
from anviltrace.publish.collect import collect
from anviltrace.publish.document import Document, collect_document
from anviltrace.publish.documentdata import as_json, fingerprint
from anviltrace.publish.documentpage import render
from anviltrace.records import Decision, Run, RunKind
from anviltrace.units import TorqueUnit

NET = 467_900.0
"""Counts that 0.8734 mV/V make by the workshop's scale."""


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> Document:
    """A calibration with a reading before its series, and one after it that moved by half a per cent."""
    path = tmp_path_factory.mktemp("shunts") / "bench.anviltrace"
    made = make_archive(path)
    with Archive.open(path) as archive:
        put_shunt(archive, workshop(RATE_HZ), 1, NET, "2026-05-04T07:00:00.000Z", made.id)
        put_shunt(archive, workshop(RATE_HZ), 2, 1.005 * NET, "2026-05-05T07:00:00.000Z", made.id)
        return collect_document(archive, made.id)


def test_the_page_has_both_beside_the_computed_value(document: Document) -> None:
    text = Reader(render(document, TorqueUnit.NM)).text
    assert "shunt 100 kilohm, before the readings" in text
    assert "shunt 100 kilohm, after the readings" in text
    assert "computed 0.8735 ± 0.0026 mV/V (95 %): agrees" in text
    assert "computed 0.8735 ± 0.0026 mV/V (95 %): does not agree" in text
    assert "+0.500 % ± " in text
    assert "(limit 0.20 %): moved" in text
    assert "wiring and gain only, no dead weight" in text


def test_the_json_has_facts_results_and_every_raw_count(document: Document) -> None:
    whole = json.loads(as_json(document))
    first, last = whole["data"]["shunts"]
    assert first["shunt"]["resistor_ohm"] == SHUNT.resistor_ohm
    assert len(first["seals"]) == 3
    assert len(last["seals"][0]) == 64
    before, after = whole["results"]["shunts"]
    assert (before["when"], after["when"]) == ("before the readings", "after the readings")
    assert before["read"]["mv_per_v"] == pytest.approx(0.8718, abs=1e-3)
    assert (before["agrees"], after["agrees"]) == (True, False)
    assert after["since_first"]["share"] == pytest.approx(0.005, abs=1e-5)
    ids = {one["run_id"] for one in whole["recordings"]}
    assert {first["before_run_id"], last["shunt_run_id"], last["after_run_id"]} <= ids


def test_without_a_shunt_the_hash_stays_what_it_was(document: Document) -> None:
    without = replace(document, shunts=())
    assert "shunts" not in json.loads(as_json(without))["data"]
    assert fingerprint(without) != fingerprint(document)
    assert "shunt across an arm of the bridge" in Reader(render(without, TorqueUnit.NM)).text


def test_a_recording_that_says_otherwise_is_named(document: Document) -> None:
    assert document.disagreements() == []
    first = document.shunts[0]
    reading = replace(first.one.reading, shunt_counts=first.one.reading.shunt_counts + 1.0)
    other = replace(first, one=replace(first.one, reading=reading))
    (why,) = replace(document, shunts=(other,)).disagreements()
    assert why.startswith("shunt 100 kilohm before the readings: its counts come to")
    before, shunt, after = first.recordings
    ((index, counts),) = shunt.pieces
    changed = replace(shunt, pieces=((index, np.asarray(counts + 1, np.int32)),))
    (why,) = replace(first, recordings=(before, changed, after)).disagreements()
    assert "does not agree with its seal" in why


def test_one_left_out_stands_there_with_the_reason(document: Document) -> None:
    first, last = document.shunts
    why = Decision(fixed_id(990), last.one.reading.shunt_run_id, "discard", "clip slid")
    other = replace(document, shunts=(first, replace(last, left_out=why)))
    text = Reader(render(other, TorqueUnit.NM)).text
    assert "Left out: clip slid" in text
    assert "its change from first to last" not in text
    whole = json.loads(as_json(other))
    assert whole["data"]["shunts"][1]["left_out"]["reason"] == "clip slid"
    assert [one["id"] for one in whole["results"]["shunts"]] == [first.one.reading.id]
    assert fingerprint(other) != fingerprint(document)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Runs whose session has a shunt reading 1 % above that of the calibration."""
    path = tmp_path_factory.mktemp("session") / "bench.anviltrace"
    recorded.record(path, runs=1)
    with Archive.open(path) as archive:
        put_shunt(archive, recorded.shop(), 1, NET, "2026-05-04T06:00:00.000Z", fixed_id(600))
        put_shunt(archive, recorded.shop(), 2, 1.01 * NET, "2026-05-04T12:00:00.000Z", None)
    return path


def test_a_run_whose_session_moved_is_flagged(session: Path) -> None:
    with Archive.open(session, read_only=True) as archive:
        run = next(one for one in archive.all(Run) if one.kind is RunKind.MEASUREMENT)
        result = evaluate(Gatherer(archive).facts(run))
    flags = [*result.flags, *(flag for value in result.values for flag in value.flags)]
    assert any("shunt 100 kilohm moved by +1.00 % against that taken with it" in flag for flag in flags), (
        flags
    )


def test_the_report_names_the_readings_of_the_session(session: Path) -> None:
    with Archive.open(session, read_only=True) as archive:
        (part, *_) = calibration_parts(collect(archive, ""))
    facts = dict(part["facts"])
    assert "computed 0.8735 ± 0.0026 mV/V" in facts["shunt 100 kilohm, with the calibration"]
    (told,) = [
        text for name, text in facts.items() if name.startswith("the same in a session, 2026-05-04 12:00")
    ]
    assert told.startswith("+1.000 % ± ")
    assert told.endswith("(limit 0.20 %): moved")
