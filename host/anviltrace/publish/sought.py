"""What a reader of a calibration document looks for, and what is on record of it.

The list follows the clauses 7.8.2.1 and 7.8.4.1 of ISO/IEC 17025:2017 in words of our own, taken second-hand
from public summaries: the standard itself was not at hand. What is not on record is named, never left out.
"""

from __future__ import annotations

from dataclasses import dataclass

from anviltrace.publish.authorising import authorised, still_holds
from anviltrace.publish.document import Document
from anviltrace.publish.words import plural
from anviltrace.records import readable_time

NOT_ON_RECORD = "not on record"


@dataclass(frozen=True, slots=True)
class Sought:
    """One thing to look for; ``there`` is False where nothing is on record."""

    what: str
    found: str

    @property
    def there(self) -> bool:
        """Whether anything is on record."""
        return not self.found.startswith(NOT_ON_RECORD)


def sought(document: Document, conformity: str) -> list[Sought]:
    """The whole list in the order of the clauses; ``conformity`` is what is said about that."""
    made, rig = document.made.calibration, document.rig
    gravity = f"but for what gravity was taken for: {made.gravity_source}"
    times = sorted(readable_time(one.step.taken_at) for one in document.taken)
    pairs = [
        ("title", "calibration record"),
        ("laboratory, its name and address", document.said("laboratory") or NOT_ON_RECORD),
        ("where it was done", document.said("place") or f"{NOT_ON_RECORD}, {gravity}"),
        ("number, pages, end", f"{made.id}; printed, each page has its number; the end is marked"),
        ("customer", document.said("customer") or NOT_ON_RECORD),
        ("method", "see Method"),
        ("the item", f"{rig.name}, see Rig and instruments"),
        ("condition of the item", document.said("condition") or NOT_ON_RECORD),
        ("date of receipt", document.said("received") or NOT_ON_RECORD),
        ("dates of calibration", f"{times[0]} to {times[-1]} UTC"),
        ("date of issue", _issue(document)),
        ("sampling", "none: one rig, and every reading that the line rests on is shown"),
        ("what the results hold for", "only this rig as it was calibrated, with these settings"),
        ("results with units", "see Result and Readings"),
        ("departures from the method", _departures(document)),
        ("who authorised it", authorised(document) or NOT_ON_RECORD),
        ("results from others", "none but the values of weights and arm, see Weights and arm"),
        ("uncertainty", "see Result; where it comes from is under Parts of the uncertainty"),
        (
            "conditions",
            f"{_air(document)}; temperature at the transducer: {document.temperatures.text}; humidity and "
            f"the rest: {document.said('environment') or NOT_ON_RECORD}",
        ),
        ("traceability", _traceability(document)),
        ("results before and after adjustment", _before_and_after(document)),
        ("conformity, and the rule for deciding it", conformity),
        ("opinions", document.said("opinion") or "none"),
        ("interval until the next one", _interval(made.valid_days)),
    ]
    return [Sought(what, found) for what, found in pairs]


def _departures(document: Document) -> str:
    """Readings left out, temperatures outside the limits, and what the note says."""
    left_out = len(document.left_out)
    found = [
        f"{plural(left_out, 'reading')} left out, see Readings left out" if left_out else "",
        *document.temperatures.flags,
        document.said("deviation"),
        document.made.calibration.note,
    ]
    return "; ".join(text for text in found if text) or NOT_ON_RECORD


def _air(document: Document) -> str:
    made = document.made.calibration
    density, u = made.air_density_kg_per_m3, made.air_density_u_kg_per_m3
    return f"air density {density:.3f} kg/m³ (u {u:.3f} kg/m³)"


def _issue(document: Document) -> str:
    """That of the latest authorisation that still stands."""
    standing = [one for one in document.authorisations if still_holds(document, one)]
    if standing:
        return f"authorised {readable_time(standing[-1].at)} UTC"
    return f"{NOT_ON_RECORD}: the page can be written again from the archive at any time, always the same"


def _traceability(document: Document) -> str:
    """How each length and mass is known; nothing more is claimed."""
    arm = document.made.arm
    notes = [(arm.name, arm.note), *((mass.name, mass.note) for mass in document.masses)]
    known = [f"{name}: {note or NOT_ON_RECORD}" for name, note in notes]
    stated = document.said("traceability")
    claimed = f"as stated, not checked here: {stated}" if stated else f"{NOT_ON_RECORD}, and none is claimed"
    return f"{claimed}. How each is known: {'; '.join(known)}"


def _before_and_after(document: Document) -> str:
    stated = document.said("adjustment")
    found = "" if document.change is None else "as found: see Checks; "
    if stated:
        return f"{found}as stated: {stated}"
    return f"{found or NOT_ON_RECORD + ': '}nothing says that anything was adjusted"


def _interval(valid_days: float | None) -> str:
    if valid_days is None:
        return "none agreed on, none recommended"
    return f"the workshop agreed to rely on it for {valid_days:g} days"
