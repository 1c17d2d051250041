"""The course of a visit: which steps it has, and where it stands by what is in the record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from earthward.inversion.ending import Ending
from earthward.inversion.types import Result
from earthward.record.step import Step, StepStatus
from earthward.record.visit import SensitivityTest
from earthward.survey.ended import search_ended
from earthward.survey.levels import visit_water_budget
from earthward.survey.store import SurveyStore

STEP_TITLES: dict[str, str] = {
    "loss": "Is it leaking at all, and how much?",
    "safe": "Is it safe to work here?",
    "set up": "Electrodes placed, instrument healthy",
    "water clear": "Nobody in the water, somebody watches it",
    "proof": "Test leak seen: signal to noise 3 or more",
    "survey": "Walls, floor and fittings read",
    "locate": "Found where the current leaves",
    "dye": "Dye at each finding",
    "repair": "Repaired, the same spots read again",
    "account": "Current and water accounted for",
    "report": "Report written",
}
#: So many stations are a survey.
ENOUGH_STATIONS = 6
#: ... if they would have shown a leak of the size asked for in so much of the liner (own choice).
ENOUGH_SEEN = 0.5
#: water budget after a repair -> is that step done, failed, or still open
_ACCOUNTS: dict[str, bool | None] = {"explained": True, "not explained": False, "undetermined": None}

#: Done (True), failed (False) or still open (None), and what was measured.
Outcome = tuple[bool | None, str]


@dataclass(frozen=True, slots=True)
class Instrument:
    """How the instrument is. stray_passed: None = not checked; stated_clear: nobody is in the water, said lately."""

    stray_passed: bool | None = None
    stray_text: str = ""
    healthy: bool = False
    stated_clear: bool = False


def course(outcomes: Mapping[str, Outcome], marked: Mapping[str, str]) -> list[Step]:
    """Every step with its status; the first open one is the present one. `marked`: what a person
    passed over by hand; evidence that comes later counts."""
    steps: list[Step] = []
    now_given = False
    for key, title in STEP_TITLES.items():
        ok, text = outcomes[key]
        status: StepStatus = "done" if ok else "failed" if ok is False else "to do"
        if key in marked and not ok:
            # A person's word is no evidence: it is told as what it is.
            status, text = "skipped", marked[key]
        if status == "to do" and not now_given:
            status, now_given = "now", True
        steps.append(Step(key=key, title=title, status=status, text=text))
    return steps


def outcomes_of(
    store: SurveyStore,
    result: Result | None,
    stations: int,
    wanted: str | None,
    instrument: Instrument,
    changed_since: bool = False,
) -> dict[str, Outcome]:
    """What record, search and instrument say of each step. `wanted`: why the test leak is to be read again;
    changed_since: something was covered since it was read."""
    findings = store.findings()
    loss, tests = store.loss_tests(), store.sensitivity_tests()
    water = visit_water_budget(loss, findings)
    accounts = "" if result is None else result.budget.text
    if water is not None:
        accounts = f"{accounts}. Water: {water.verdict}, {water.text}".removeprefix(". ")
    ended = search_ended(result, [(f.name, f.position_m) for f in store.fittings() if not f.covered], water)
    if ended is not None and ended.hole_mm is not None:
        accounts += f". {ended.text[0].upper()}{ended.text[1:]}"
    safe = instrument.stray_passed
    return {
        "loss": (True, str(loss[-1].result.get("text", "measured"))) if loss else (None, ""),
        "safe": (None, "not checked yet") if safe is None else (safe, instrument.stray_text),
        "set up": (instrument.healthy or None, ""),
        "water clear": (True, "stated") if instrument.stated_clear else (None, "Look at the whole pool, then say so."),
        "proof": _sensitivity(tests[-1] if tests else None, wanted, changed_since),
        "survey": _surveyed(stations, result, ended),
        "locate": (None, "") if result is None else (result.verdict == "found" or None, result.text),
        "dye": (_all(f.stage != "suspected" for f in findings), f"findings: {len(findings)}"),
        "repair": (_all(f.stage == "re-measured" for f in findings), ""),
        "account": (None if water is None or water.by != "repair" else _ACCOUNTS[water.verdict], accounts),
        "report": (True, str(written)) if (written := store.meta().get("report_written")) else (None, ""),
    }


def _surveyed(stations: int, result: Result | None, ended: Ending | None) -> Outcome:
    """Spots alone are no survey: the liner must have been looked at. No more is needed when no patch of it can hide the
    hole that the remaining loss takes."""
    seen = None if result is None or result.coverage is None else result.coverage.fraction_at_reference
    text = f"{stations} spots" + ("" if seen is None else f", {100 * seen:.0f} % of the liner excluded")
    if ended is not None and ended.done:
        return True, f"{text}; no hole that the remaining loss takes can hide"
    return (True if stations >= ENOUGH_STATIONS and (seen or 0.0) >= ENOUGH_SEEN else None), text


def _sensitivity(last: SensitivityTest | None, wanted: str | None, changed_since: bool) -> Outcome:
    if last is not None and wanted is None:
        return True, str(last.result.get("text", ""))
    if last is None or last.ok:
        # Never read, or held once: to be read (again), not failed.
        return None, f"{wanted}."
    if changed_since:
        # With a strong fitting covered the test leak gets more of the current.
        return None, f"{last.result.get('text', '')} A fitting was covered since: read it again.".strip()
    return False, str(last.result.get("text", ""))


def _all(conditions: Iterable[bool]) -> bool | None:
    listed = list(conditions)
    return True if listed and all(listed) else None
