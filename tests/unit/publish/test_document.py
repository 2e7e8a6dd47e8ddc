"""A calibration as a document: page, data, hash, and whether the recordings bear the readings out."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from htmlreader import Reader
from sample_document import HOSTILE, make_archive
from workshop import fixed_id

from anviltrace.archive import Archive
from anviltrace.calibration.budget import Case
from anviltrace.calibration.classes import IndicativeClass
from anviltrace.calibration.conformity import DecisionRule
from anviltrace.calibration.history import Change
from anviltrace.calibration.line import fit_line
from anviltrace.calibration.stability import look_at
from anviltrace.capture.barezero import BARE
from anviltrace.publish.document import Document, collect_document
from anviltrace.publish.documentdata import as_json, data, fingerprint
from anviltrace.publish.documentfiles import write_document
from anviltrace.publish.documentnumbers import budget_table, conformity
from anviltrace.publish.documentpage import curve_facts, render
from anviltrace.publish.remarks import ABOUT
from anviltrace.publish.sought import NOT_ON_RECORD, sought
from anviltrace.records import Arm, Calibration, Decision, LoadStep, Mass, Remark, Spread, Temperature, Zero
from anviltrace.units import NM_PER_LBF_FT, TorqueUnit

WHOLE = "00000000"


def collect(folder: Path, sign: int = 1, **changes: Any) -> Document:
    make_archive(folder / "bench.anviltrace", sign, **changes)
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        return collect_document(archive, WHOLE)


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> Document:
    return collect(tmp_path_factory.mktemp("document"))


@pytest.fixture(scope="module")
def page(document: Document) -> str:
    return render(document, TorqueUnit.NM)


@pytest.fixture(scope="module")
def text(page: str) -> str:
    return Reader(page).text


@pytest.fixture(scope="module")
def whole(document: Document) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(as_json(document))
    return loaded


def with_reading(document: Document, place: int, **changes: object) -> Document:
    """The same calibration with one reading changed, and nothing computed anew."""
    taken = list(document.taken)
    taken[place] = replace(taken[place], step=replace(taken[place].step, **changes))  # type: ignore[arg-type]
    return replace(document, taken=tuple(taken))


def rebuilt(kind: type, stored: Mapping[str, Any]) -> Any:
    """A record from the JSON of a document; a field that was empty takes its default."""
    known = {field.name: stored[field.name] for field in fields(kind) if field.name in stored}
    if "spread" in known:
        known["spread"] = Spread(known["spread"])
    if kind is LoadStep:
        known["mass_ids"] = tuple(known["mass_ids"])
    return kind(**known)


class TestPage:
    def test_what_a_reader_needs_is_there(self, text: str) -> None:
        for words in (
            "Calibration record, fishplate stand, clockwise torque",
            "00000000-0000-4000-8000-000000000028",
            "by T. Ester",
            "counts per N·m (95 %)",
            "mV/V per N·m",
            "coverage factor k and degrees of freedom",
            "long arm, 800.00 ± 0.60 mm",
            "9.81000 ± 0.00098 m/s², GRS80",
            "number e6614103e7452f2c, firmware 0.1.0",
            "ads1256, 24 bits",
            "64, 1000 samples/s",
            "excitation 4.998 V, measured",
            "01 26 f0",
            "hanger, plate A, plate B",
            "11 readings in 1 series and one mounting",
            "says nothing about how the rig responds to impacts",
            "not issued under an accreditation",
            "u² of intercept",
            "End of the calibration record.",
        ):
            assert words in text

    def test_every_reading_is_there(self, document: Document, text: str) -> None:
        for one, row in document.rows():
            assert f"{one.step.mean_counts:.1f} {one.step.sd_counts:.1f} {row.net_counts:.1f}" in text
        assert text.count(" rising hanger") == 5
        assert text.count(" falling hanger") == 4

    def test_what_is_not_on_record_is_named(self, document: Document, text: str) -> None:
        list_ = sought(document, conformity(document.numbers(), document.rule))
        assert len(list_) == 24
        for entry in list_:
            assert f"{entry.what} {entry.found}" in text
        absent = {entry.what for entry in list_ if not entry.there}
        assert {"customer", "who authorised it", "traceability", "laboratory, its name and address"} <= absent
        assert {"method", "uncertainty", "dates of calibration"}.isdisjoint(absent)

    def test_what_people_state_takes_its_place(self, document: Document) -> None:
        stated = [
            Remark(fixed_id(number), WHOLE, f"2026-05-05T07:0{number}:00.000Z", about, words, by)
            for number, (about, words, by) in enumerate([
                ("place", "the yard", ""), ("place", "engine shed, bay 2", "T. Ester"),
                ("customer", "track gang", ""),
                ("laboratory", "Wendlow Valley Railway, Shed Lane 3", ""), ("deviation", "arm re-seated", ""),
                ("deviation", "lamp on", ""), ("traceability", "scale report 12", ""),
                ("condition", "dry", ""),
                ("received", "2026-05-01", ""), ("item", "stud no. 7", ""),
                ("environment", "55 % humidity", ""),
                ("warm-up", "an hour", ""), ("adjustment", "none", ""), ("opinion", "good enough", ""),
            ])
        ]  # fmt: skip
        changed = replace(document, remarks=tuple(stated))
        assert {one.about for one in stated} == set(ABOUT)
        words = Reader(render(changed, TorqueUnit.NM)).text
        for one in stated[1:]:
            assert one.text in words
        assert "the yard" not in words  # the latest about a place counts
        found = {entry.what: entry for entry in sought(changed, "none")}
        assert found["where it was done"].found == "engine shed, bay 2 (T. Ester)"
        assert found["departures from the method"].found == "arm re-seated; lamp on"
        assert found["traceability"].found.startswith(
            "as stated, not checked here: scale report 12. How each"
        )
        absent = {what for what, entry in found.items() if not entry.there}
        assert absent == {"date of issue", "who authorised it"}
        assert fingerprint(changed) != fingerprint(document)

    def test_printed_pages_carry_their_number_of_how_many(self, page: str, document: Document) -> None:
        rule = page.partition("@page {")[2].partition("}</style>")[0]
        assert '"page " counter(page) " of " counter(pages)' in rule
        assert f"calibration record {document.made.calibration.id}" in rule

    def test_the_slope_is_there_as_it_is_computed_with(self, document: Document, text: str) -> None:
        found = re.search(r"the same as it is computed with (-?[\d.]+) counts per N·m, through zero", text)
        assert found
        assert float(found[1]) == pytest.approx(document.fit.line.counts_per_nm, rel=1e-9)

    def test_a_bent_curve_is_there_with_its_coefficients(self, document: Document, text: str) -> None:
        numbers = document.numbers()
        assert numbers.choice.degree == 1
        assert "its coefficients" not in text
        bent = replace(numbers, choice=replace(numbers.choice, degree=2))
        (_, (what, cells)) = curve_facts(bent, TorqueUnit.LBF_FT)
        first, second = numbers.choice.curves[1].fit.coefficients
        stated = [float(number) for number in re.findall(r"(-?[\d.]+) counts", cells)]
        assert what.startswith("its coefficients")
        assert stated == pytest.approx([first * NM_PER_LBF_FT, second * NM_PER_LBF_FT**2], rel=1e-8)

    def test_an_agreed_interval_and_a_note_are_said(self, document: Document) -> None:
        made = replace(document.made.calibration, valid_days=180.0, note="no plate D")
        changed = replace(document, made=replace(document.made, calibration=made))
        found = {entry.what: entry.found for entry in sought(changed, "none")}
        assert "180 days" in found["interval until the next one"]
        assert found["departures from the method"] == "no plate D"

    def test_it_claims_nothing(self, text: str) -> None:
        assert "certificate" not in text.lower()
        assert "traceable" not in text.lower()
        assert "none stated, so no decision rule was applied" in text
        assert f"traceability {NOT_ON_RECORD}" in text

    def test_uncertainty_has_two_digits_and_the_value_ends_with_it(self, text: str) -> None:
        pairs = re.findall(r"(?<![\d.])(\d+(?:\.\d+)?) ± (\d+(?:\.\d+)?)", text)
        assert len(pairs) > 15
        for value, uncertainty in pairs:
            digits = uncertainty.replace(".", "").lstrip("0")
            assert len(digits) == 2 or (len(digits) > 2 and digits[2:].strip("0") == "")
            assert len(value.partition(".")[2]) == len(uncertainty.partition(".")[2])

    def test_numbers_are_for_people(self, text: str) -> None:
        assert re.findall(r"\d[eE][-+]\d", text) == []
        assert re.findall(r"\b(?:nan|None|inf)\b", text) == []

    def test_every_element_is_closed_and_every_id_is_used_once(self, page: str) -> None:
        reader = Reader(page)
        assert reader.open == []
        ids = Counter(value for _, name, value in reader.attributes if name == "id")
        assert [name for name, count in ids.items() if count > 1] == []
        used = set(re.findall(r'(?:xlink:href="#|url\(#)([^")]+)', page))
        assert used
        assert used <= set(ids)

    def test_nothing_is_loaded_and_nothing_may_run(self, page: str) -> None:
        reader = Reader(page)
        assert reader.scripts == []
        (policy,) = [value for tag, _, value in reader.attributes if tag == "meta" and "src" in value]
        assert policy.startswith("default-src 'none'; script-src 'none'; ")
        leads = [value for _, name, value in reader.attributes if name in ("src", "href", "xlink:href")]
        assert all(value.startswith("#") for value in leads)
        assert re.findall(r"https?://[^\"]*", page.replace("http://www.w3.org/", "")) == []

    def test_pictures_take_the_page_s_colours(self, page: str) -> None:
        svgs = re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL)
        assert len(svgs) == 3
        for svg in svgs:
            assert re.findall(r"(?:fill|stroke): #[0-9a-f]{6}", svg) == []
            assert "var(--ink)" in svg
            assert "N·m" in svg

    def test_names_with_html_in_them_are_words(self, tmp_path: Path) -> None:
        hostile = collect(tmp_path, hostile=True)
        page = render(hostile, TorqueUnit.NM)
        assert "<script" not in page
        reader = Reader(page)
        assert reader.open == []
        assert reader.text.count(HOSTILE) > 10
        assert json.loads(as_json(hostile))["data"]["masses"][0]["name"] == HOSTILE

    def test_another_unit_is_used_throughout(self, document: Document, text: str) -> None:
        english = Reader(render(document, TorqueUnit.LBF_FT)).text
        assert "N·m" not in english
        found, metric = (
            float(re.findall(r"sensitivity (-?[\d.]+) ±", words)[0]) for words in (english, text)
        )
        assert found / metric == pytest.approx(NM_PER_LBF_FT, rel=1e-4)

    def test_counter_clockwise_torque_is_negative(self, tmp_path: Path) -> None:
        words = Reader(render(collect(tmp_path, -1), TorqueUnit.NM)).text
        assert "counter-clockwise, seen from behind the tool; such torque is negative" in words
        assert re.search(r"hanger 1\.000 -7\.8\d+ ± 0\.\d+", words)

    def test_temperatures_are_stated_and_flagged(self, document: Document, text: str) -> None:
        assert "temperature at the transducer not measured" in text
        taken = [
            Temperature(fixed_id(number), fixed_id(8), fixed_id(40), at, "transducer", temperature_c, 0.29)
            for number, at, temperature_c in (
                (1, "2026-05-04T08:59:00.000Z", 21.0),
                (2, "2026-05-04T09:01:00.000Z", 22.5),
            )
        ]
        warmer = replace(document, temperature_entries=tuple(taken))
        words = Reader(render(warmer, TorqueUnit.NM)).text
        assert "start 21.0 °C (u 0.29 K), end 22.5 °C (u 0.29 K), change +1.5 K" in words
        departures = {entry.what: entry.found for entry in sought(warmer, "none")}[
            "departures from the method"
        ]
        assert "the temperature changed by +1.5 K" in departures
        whole = json.loads(as_json(warmer))
        assert [one["temperature_c"] for one in whole["data"]["temperatures"]] == [21.0, 22.5]
        assert whole["results"]["temperature_change_k"] == 1.5
        assert fingerprint(warmer) != fingerprint(document)

    def test_the_calibration_before_it_is_compared(self, document: Document) -> None:
        change = Change(WHOLE, "2026-03-01T09:00:00.000Z", 300.0, 0.0123, 0.0041, ())
        words = Reader(render(replace(document, change=change), TorqueUnit.NM)).text
        assert (
            "00000000 of 2026-03-01 would have read 1.23 ± 0.41 % off (95 %): E_n 3.00, does not agree"
            in words
        )
        assert "as found: see Checks" in words

    def test_the_reading_of_the_bare_rig_is_told(self, tmp_path: Path) -> None:
        path = tmp_path / "bench.anviltrace"
        made = make_archive(path)
        with Archive.open(path) as archive:
            step = archive.all(LoadStep, calibration_id=made.id)[0]
            zero = Zero(
                "00000000-0000-4000-8000-00000000bbbb", made.session_id, step.run_id,
                "2026-05-04T08:30:00.000Z", -204.25, 2.0, 250, BARE,
            )  # fmt: skip
            archive.put(zero)
            archive.put(replace(zero, id=zero.id[:-1] + "c", taken_at="2026-05-04T23:00:00.000Z"))
            found = collect_document(archive, WHOLE)
        assert found.bare == zero
        assert "bare rig, without the arm -204.2 counts" in Reader(render(found, TorqueUnit.NM)).text
        assert data(found)["bare"]["mean_counts"] == -204.25

    def test_without_a_falling_series_there_is_no_loop(self, document: Document) -> None:
        rising = [one for one in document.taken if one.step.branch != "down"]
        steps = tuple(one.step for one in rising)
        made = replace(document.made, steps=steps)
        page = render(replace(document, made=made, fit=made.fit(), taken=tuple(rising)), TorqueUnit.NM)
        assert "No series was taken falling" in page
        assert page.count("<svg ") == 2

    def test_readings_left_out_are_told_with_the_reason(self, tmp_path: Path) -> None:
        archive_path = tmp_path / "bench.anviltrace"
        made = make_archive(archive_path)
        with Archive.open(archive_path) as archive:
            steps = archive.all(LoadStep, calibration_id=made.id)
            archive.put(
                Decision(
                    "00000000-0000-4000-8000-00000000aaaa", steps[3].run_id, "discard", "bumped",
                    "2026-05-04T09:30:00.000Z", "T. Ester",
                )
            )  # fmt: skip
            found = collect_document(archive, WHOLE)
        assert len(found.taken) == len(steps) - 1
        words = Reader(render(found, TorqueUnit.NM)).text
        assert re.search(r"rising in series 1 at [\d:]+ UTC, [\d.]+ counts: bumped, T\. Ester", words)
        assert data(found)["left_out"][0]["reading"]["id"] == steps[3].id


class TestNumbers:
    def test_quantities_and_what_is_not_known(self, document: Document, text: str) -> None:
        found = document.numbers().quantities
        for level in found.levels:
            assert f"{level.torque_nm:.2f} {level.mean_counts:.1f}" in text
        assert f"largest {found.worst_percent('reversibility_percent'):.3f}" in text
        assert "b needs a rising series in another mounting" in text
        assert "None" not in text

    def test_every_term_of_the_budget_is_there(self, document: Document, text: str) -> None:
        numbers = document.numbers()
        budget = numbers.budget(numbers.quantities.levels[-1].torque_nm, numbers.cases[-1])
        assert len(budget.terms) > 10
        for term in budget.terms:
            assert f"{term.symbol} {term.source}" in text
        for reason in budget.left_out:
            assert reason in text
        assert f"k = {budget.k:.2f} for 95.45 %" in text
        assert "by the profile anviltrace-2" in text

    def test_a_class_is_indicative_and_needs_a_whole_plan(self, document: Document, text: str) -> None:
        assert "no class without b', b: the plan was too short to show it" in text
        assert text.count("indicative only: limits from memory") == len(document.numbers().cases) == 2

    def test_a_class_names_the_rule_it_was_decided_by(self, document: Document) -> None:
        class Sure:
            cases = (Case.RISING,)

            def indicative_class(self, case: Case, rule: DecisionRule) -> IndicativeClass:
                return IndicativeClass(case, {"b": "1"}, "1", "", rule)

        for rule in DecisionRule:
            assert f"{rule.value}: {rule.meaning}" in conformity(Sure(), rule)  # type: ignore[arg-type]
        assert conformity(document.numbers(), document.rule) == "none stated, so no decision rule was applied"

    def test_the_budget_adds_up_in_another_unit_too(self, document: Document) -> None:
        numbers = document.numbers()
        for unit in TorqueUnit:
            rows = budget_table(numbers, unit)["rows"]
            for row in rows:
                width, divisor, sensitivity, u = (float(row["cells"][place]) for place in (1, 2, 3, 4))
                if u > 0.01:
                    assert width / divisor * sensitivity == pytest.approx(u, rel=0.06)

    def test_they_are_in_the_data(self, whole: dict[str, Any]) -> None:
        found = whole["results"]["numbers"]
        assert [budget["case"] for budget in found["budgets"]] == ["increasing only", "with hysteresis"]
        assert found["indicative_classes"][0]["warning"].startswith("indicative only")


class TestData:
    def test_any_program_can_work_out_the_hash(self, whole: dict[str, Any], page: str) -> None:
        plain = json.dumps(
            whole["data"], sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
        )
        assert hashlib.sha256(plain.encode("utf-8")).hexdigest() == whole["sha256"]
        assert whole["sha256"] in page

    def test_any_program_can_check_the_seals(self, whole: dict[str, Any]) -> None:
        """As archive/seal.py describes them, from the raw counts in the file alone."""
        for reading, recording in zip(whole["data"]["readings"], whole["recordings"], strict=True):
            counts = [count for piece in recording["pieces"] for count in piece["counts"]]
            sealed = hashlib.sha256(np.array(counts, "<i4").tobytes())
            assert recording["run_id"] == reading["run_id"]
            assert recording["gaps"] == []
            assert sealed.hexdigest() == reading["seal"]

    def test_recomputed_from_the_raw_counts_the_numbers_are_the_same(
        self, whole: dict[str, Any], document: Document
    ) -> None:
        steps = [rebuilt(LoadStep, reading) for reading in whole["data"]["readings"]]
        for step, recording in zip(steps, whole["recordings"], strict=True):
            counts = np.array(recording["pieces"][-1]["counts"], np.int32)
            assert look_at(counts[-step.samples :]).mean_counts == step.mean_counts
        masses = [rebuilt(Mass, mass) for mass in whole["data"]["masses"]]
        fit = fit_line(
            steps,
            rebuilt(Calibration, whole["data"]["calibration"]),
            {mass.id: mass for mass in masses},
            rebuilt(Arm, whole["data"]["arm"]),
        )
        assert fit == document.fit
        assert whole["results"]["line"]["counts_per_nm"] == fit.line.counts_per_nm
        assert whole["results"]["expanded"][-1]["expanded_nm"] == fit.line.expanded_nm(fit.line.limit_nm)

    def test_written_again_it_is_the_same_to_the_byte(self, document: Document, tmp_path: Path) -> None:
        (tmp_path / "other").mkdir()
        first = write_document(document, tmp_path / "once")
        again = write_document(collect(tmp_path / "other"), tmp_path / "again")
        assert [path.name for path in first] == ["calibration-00000000.html", "calibration-00000000.json"]
        for one, other in zip(first, again, strict=True):
            assert one.read_bytes() == other.read_bytes()

    @pytest.mark.parametrize(
        "change", [{"mean_counts": 1.0}, {"angle_deg": 0.25}, {"branch": "down"}, {"taken_at": "2026-05-05"}]
    )
    def test_another_reading_is_another_hash(self, document: Document, change: dict[str, object]) -> None:
        assert fingerprint(with_reading(document, 3, **change)) != fingerprint(document)

    def test_another_weight_or_seal_is_another_hash(self, document: Document) -> None:
        one = document.taken[0]
        resealed = replace(one, run=replace(one.run, seal="0" * 64))
        heavier = {key: replace(mass, mass_kg=9.0) for key, mass in document.made.masses.items()}
        for changed in (
            replace(document, taken=(resealed, *document.taken[1:])),
            replace(document, made=replace(document.made, masses=heavier)),
        ):
            assert fingerprint(changed) != fingerprint(document)

    def test_the_end_of_the_sitting_does_not_matter(self, document: Document) -> None:
        ended = replace(document.session, ended_at="2026-05-04T12:00:00.000Z")
        assert fingerprint(replace(document, session=ended)) == fingerprint(document)

    def test_nothing_empty_is_in_it(self, document: Document) -> None:
        assert "note" not in data(document)["calibration"]
        assert data(document)["settings"]["registers"] == "0126f0"


class TestDisagreements:
    def test_none_where_all_is_as_recorded(self, document: Document, text: str) -> None:
        assert document.disagreements() == []
        assert "yes, every one" in text
        assert "Do not rely" not in text

    def test_a_reading_that_its_counts_do_not_bear_out(self, document: Document) -> None:
        mean = document.taken[3].step.mean_counts
        changed = with_reading(document, 3, mean_counts=mean + 1.0)
        (said,) = changed.disagreements()
        assert said == f"reading 4: its counts come to {mean:.3f}, on record is {mean + 1.0:.3f}"
        words = Reader(render(changed, TorqueUnit.NM)).text
        assert "Do not rely on this calibration" in words
        assert said in words
        assert json.loads(as_json(changed))["disagreements"] == [said]

    def test_counts_that_do_not_agree_with_their_seal(self, document: Document) -> None:
        one = document.taken[0]
        first, counts = one.pieces[0]
        tampered = replace(one, pieces=((first, counts + np.int32(1)),))
        changed = replace(document, taken=(tampered, *document.taken[1:]))
        assert changed.disagreements() == ["reading 1: the recording does not agree with its seal"]

    def test_counts_that_are_not_there(self, document: Document) -> None:
        (said,) = with_reading(document, 0, samples=1000).disagreements()
        assert said == "reading 1: 400 counts are there of the 1000 it was read from"

    def test_an_intercept_that_is_not_zero_is_a_warning(self, document: Document) -> None:
        changed = replace(document, fit=replace(document.fit, intercept_agrees=False))
        assert "does not go through zero" in Reader(render(changed, TorqueUnit.NM)).text
