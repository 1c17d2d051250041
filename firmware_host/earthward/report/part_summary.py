"""Page 1 of the report: what the owner wants to know."""

from __future__ import annotations

from earthward import units
from earthward.record.finding import Finding
from earthward.report.blocks import (
    Block,
    Bullets,
    Figure,
    Heading,
    KeyFigure,
    KeyFigures,
    Paragraph,
)
from earthward.report.plan_figures import findings_plan
from earthward.report.words import (
    budget_text,
    count,
    current_budget,
    last_test,
    latest_checks,
    place_of,
    sentence,
    stations,
    water_budget,
)
from earthward.survey.contents import Contents
from earthward.units import Units

#: A fitting that took so much of the current is named for dye.
STRONG_SHARE = 0.25
#: With so much of the liner excluded for a leak of the reference size nothing more needs reading.
WELL_SEEN = 0.95


def summary(record: Contents, u: Units) -> list[Block]:
    blocks: list[Block] = [Heading("For the owner, in short")]
    blocks.append(Paragraph(_headline(record, u), "lead"))
    blocks.append(KeyFigures(_key_figures(record, u)))
    sentences = [_loss_sentence(record, "before", u), *[_finding_sentence(record, f, u) for f in record.findings]]
    after = _loss_sentence(record, "after", u)
    if any(t.moment == "after" for t in record.loss_tests):
        sentences.append(after)
    hidden = _could_hide(record)
    blocks.append(Bullets([s for s in [*sentences, hidden] if s]))
    blocks += [Heading("What remains to be done", 2), Bullets(_to_do(record, u))]
    if record.pool is not None:
        blocks.append(
            Figure(
                findings_plan(record.pool, record.findings, record.readings, u),
                "Plan from above. Blue: tape distances from the two marks. Full number: dye was drawn in; open number: "
                "suspected. Grey arrows: direction of the current in the water at each station (length by the "
                "logarithm of its strength). Full squares: fittings; open: covered. Rings with a cross: injection "
                "electrodes.",
                "Plan of the pool with findings, fittings and stations",
            )
        )
    return blocks


def _could_hide(record: Contents) -> str:
    """What the readings leave possible, in one plain sentence: upper limits, never "nothing"."""
    coverage = (record.location or {}).get("coverage") or {}
    if not coverage:
        return "What could still hide was not worked out: nothing can be said of the liner elsewhere."
    if "fraction_at_reference" not in coverage:
        # Written by an earlier version, or by hand: its own words are all there is.
        return f"What could still hide: {coverage['text']}" if coverage.get("text") else ""
    seen = float(coverage["fraction_at_reference"])
    reference = f"{1e3 * float(coverage['reference_A']):.1f} mA"
    cells = [c for c in coverage.get("cells", []) if c.get("limit_hole_mm") is not None]
    middle = sorted(float(c["limit_hole_mm"]) for c in cells)[len(cells) // 2] if cells else None
    text = f"What could still hide elsewhere: in {100 * seen:.0f} % of the liner no leak that takes {reference} or more"
    if middle is not None:
        text += f" (half of the liner: no hole above about {middle:.1f} mm)"
    if seen < 0.995:
        text += f"; in the other {100 * (1 - seen):.0f} %, mostly beside strong fittings, a larger one could"
    return text + ". Leaks in pipes are not seen at all."


def _headline(record: Contents, u: Units) -> str:
    leaks = [f for f in record.findings if f.confirmed]
    open_ones = [f for f in record.findings if f.stage == "suspected"]
    repaired = [f for f in leaks if f.stage in ("repaired", "re-measured")]
    after = last_test(record, "after")
    if not record.findings:
        if not record.readings:
            return "No readings were taken in the water."
        return "No leak was found in the liner. That is not proof that there is none: see coverage and limits below."
    parts = []
    if leaks:
        parts.append(f"{count(len(leaks), 'leak')} found and confirmed with dye")
        if repaired:
            parts.append("repaired" if len(repaired) == len(leaks) else f"{len(repaired)} of them repaired")
    if open_ones:
        parts.append(f"{count(len(open_ones), 'suspected place')} not yet tested with dye")
    text = ", ".join(parts) or f"{count(len(record.findings), 'place')} looked at, none confirmed as a leak"
    text = text[0].upper() + text[1:] + "."
    if after is not None and after.result.get("verdict") == "no evidence":
        text += " After the repair the level log shows no further loss."
    elif after is not None and after.result.get("verdict") == "leak":
        text += " The pool still loses water after the repair."
    return text


def _key_figures(record: Contents, u: Units) -> list[KeyFigure]:
    items = []
    for moment, label in (("before", "Loss before"), ("after", "Loss after")):
        test = last_test(record, moment)
        if test is None:
            items.append(KeyFigure(label, "not measured"))
            continue
        low, high = test.result["interval_L_per_day"]
        items.append(
            KeyFigure(
                label,
                units.water_rate(float(test.result["leak_L_per_day"]), u),
                f"95 %: {units.water_interval(max(0.0, low), max(0.0, high), u)}",
            )
        )
    leaks = [f for f in record.findings if f.confirmed]
    repaired = [f for f in leaks if f.stage in ("repaired", "re-measured")]
    items.append(KeyFigure("Leaks confirmed", str(len(leaks)), f"{len(repaired)} repaired"))
    unexplained = current_budget(record)
    if unexplained:
        injected = float(unexplained["injected_A"])
        rest = float(unexplained["unexplained_A"])
        share = 100 * (1 - rest / injected) if injected else 0.0
        items.append(
            KeyFigure("Current accounted for", f"{min(100.0, share):.0f} %", f"of {units.current(injected)} injected")
        )
    else:
        items.append(KeyFigure("Readings", str(len(record.readings)), f"at {stations(record)} stations"))
    return items


def _loss_sentence(record: Contents, moment: str, u: Units) -> str:
    test = last_test(record, moment)
    when = "Before the work" if moment == "before" else "After the repair"
    if test is None:
        return f"{when} the water loss was not measured."
    result = test.result
    low, high = result["interval_L_per_day"]
    amount = units.water_rate(float(result["leak_L_per_day"]), u)
    interval = units.water_interval(max(0.0, low), max(0.0, high), u)
    hours = f"{float(result['hours']):.0f} h"
    if result["verdict"] == "leak":
        return f"{when} the pool lost {amount} ({interval}) more than the weather explains, logged over {hours}."
    if result["verdict"] == "no evidence":
        return (
            f"{when} a log of {hours} gave no evidence of a loss: {amount} ({interval}), less than the "
            f"{units.water_rate(float(result['worth_L_per_day']), u)} that it was asked to find."
        )
    return f"{when} a log of {hours} could not tell: {amount} ({interval})."


def _finding_sentence(record: Contents, f: Finding, u: Units) -> str:
    place = place_of(record, f, u)
    kind = "Leak" if f.confirmed else ("Suspected place" if f.stage == "suspected" else "Place")
    text = f"{kind} {f.number}: {place}."
    stages = [h.stage for h in f.history]
    if f.stage == "suspected":
        text += " Not yet tested with dye, so it may be no leak."
    elif f.stage == "dye not drawn":
        text += " Dye was not drawn in: not a leak at the time of the test."
    elif f.stage == "dye drawn":
        text += " Dye was drawn in. Not repaired yet."
    else:
        text += " Repaired"
        text += "." if "dye drawn" in stages else " without a dye test."
        result = f.history[-1].result or {}
        if f.stage == "re-measured" and result.get("outcome"):
            text += {
                "gone": " Measured again: the current into it is gone.",
                "smaller": " Measured again: it is smaller but not gone.",
                "still there": " Measured again: it is still there.",
                "cannot tell": " Measured again: cannot be told yet.",
            }.get(str(result["outcome"]), "")
    return text


def _at_fittings(record: Contents) -> list[str]:
    """Covers to take off; fittings that took much of the current, whose seals dye should be tried at."""
    items = []
    covered = [f.name for f in record.fittings if f.covered]
    if covered:
        items.append(f"Take the cover or plug off again before the pool is used: {', '.join(covered)}.")
    bare = [f.name for f in record.fittings if not f.coverable]
    if bare:
        items.append(f"Could not be covered, so a leak close beside may be hidden by its current: {', '.join(bare)}.")
    shares: dict[str, float] = {}
    budget = current_budget(record)
    for item in (budget or {}).get("fittings", []):
        shares[item["name"]] = float(item["current_A"]) / float((budget or {})["injected_A"])
    for step in record.current_steps:
        if step.kind == "cover" and step.fitting:
            shares[step.fitting] = max(shares.get(step.fitting, 0.0), step.share)
    metal = {f.name for f in record.fittings if f.kind in ("ladder", "bonded electrode")}
    strong = sorted((n for n, s in shares.items() if s >= STRONG_SHARE and n not in metal), key=lambda n: -shares[n])
    if strong:
        named = ", ".join(f"{n} ({100 * min(1.0, shares[n]):.0f} % of the current)" for n in strong)
        items.append(f"Try dye at the seals of fittings that took much of the current: {named}. They may leak or not.")
    coverage = (record.location or {}).get("coverage") or {}
    seen = coverage.get("fraction_at_reference")
    if seen is not None and seen < WELL_SEEN:
        items.append(f"If water is still lost: read more spots, {100 * (1 - seen):.0f} % of the liner is not excluded.")
    return items


def _to_do(record: Contents, u: Units) -> list[str]:
    items = []
    failed = [c for c in latest_checks(record) if not c.ok]
    if failed:
        names = ", ".join(c.name for c in failed)
        items.append(f"Keep out of the water and call a licensed electrician: {names}.")
    for f in record.findings:
        if f.stage == "suspected":
            items.append(f"Test place {f.number} with dye in still water before anything is cut or patched.")
        elif f.stage == "dye drawn":
            items.append(f"Repair leak {f.number}, then read the same stations again.")
        elif f.stage == "repaired":
            items.append(f"Read the stations around place {f.number} again to see whether it is closed.")
        elif f.stage == "re-measured" and (f.history[-1].result or {}).get("outcome") != "gone":
            items.append(f"Look again at place {f.number}: the current into it is not shown to be gone.")
    repaired = any(f.stage in ("repaired", "re-measured") for f in record.findings)
    after = last_test(record, "after")
    if repaired and after is None:
        items.append("Log the level for two days or more to see whether the loss has ended.")
    budget = water_budget(record)
    if after is not None and budget is not None and budget.verdict != "explained":
        items.append(sentence(budget_text(budget, u)))
    if not record.loss_tests:
        items.append("Do a bucket test of 24 hours or more: the water loss has not been measured.")
    if not record.sensitivity_tests or not record.sensitivity_tests[-1].ok:
        items.append("Repeat the survey with a test leak that is seen: without it, seeing nothing proves nothing.")
    items += _at_fittings(record)
    if not items:
        items.append("Nothing is open. Watch the level: 6 mm (a quarter inch) a day or more deserves a new log.")
    return items
