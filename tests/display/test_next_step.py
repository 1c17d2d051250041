"""The line that says what to press: a fitting that takes most of the current is to be covered, source off first; and
the reading goes on while more water is lost than what was repaired can pass."""

from __future__ import annotations

from dataclasses import replace

import msgspec
from tests.display import fake_feed
from tests.display.scenes import scene

from earthward.daemon.protocol import FromDaemon, SetCovered, Steps
from earthward.display.next_step import survey_done, to_cover, what_now
from earthward.display.press import press
from earthward.display.snapshot import Snapshot, updated
from earthward.display.view import View
from earthward.record.finding import CurrentBudget, Finding, FindingStage, FittingShare, WaterBudget, WaterVerdict
from earthward.record.place import Fitting
from earthward.record.step import StepStatus

LIGHT = Fitting(name="light", kind="light", position_m=(0.0, 1.0, 0.5))
DRAIN = Fitting(name="drain", kind="drain", position_m=(3.0, 2.0, 1.4))


def seen(shares: dict[str, float], fittings: list[Fitting], lock: str = "energised", spots: int = 4) -> Snapshot:
    """A survey of so many spots that has found nothing; shares of 5 mA, known to a tenth."""
    snapshot, now = scene(lock)
    assert snapshot.plan is not None and snapshot.steps is not None
    budget = CurrentBudget(
        injected_A=5e-3,
        fittings=tuple(
            FittingShare(name=n, current_A=5e-3 * s, interval_A=(4.5e-3 * s, 5.5e-3 * s)) for n, s in shares.items()
        ),
    )
    kept = [msgspec.structs.replace(fake_feed.plan().kept[0], station=f"S{k}") for k in range(spots)]
    plan = msgspec.structs.replace(
        snapshot.plan, budget=budget, fittings=fittings, findings=[], verdict="cannot tell", kept=kept
    )
    steps = [
        msgspec.structs.replace(s, status="now" if s.key == "survey" else "to do" if s.key == "locate" else "done")
        for s in snapshot.steps.steps
    ]
    more: list[FromDaemon] = [plan, Steps(steps=steps)]
    for message in more:
        snapshot = updated(snapshot, message, now)
    assert snapshot.state is not None
    state = msgspec.structs.replace(snapshot.state, spot=None, busy="", next_finding=None)
    return replace(snapshot, state=state)


def test_source_off_first_then_the_question() -> None:
    shares, fittings = {"light": 0.9, "drain": 0.05}, [LIGHT, DRAIN]
    on = what_now(View(), seen(shares, fittings))
    assert "let go of the enable" in on.text.lower() and "light" in on.text and on.key != "keep"
    off = seen(shares, fittings, lock="off")
    view, sent = press(View(), "keep", off, 200.0)
    assert view.choice is not None and sent == []
    assert press(view, "keep", off, 200.0)[1] == [SetCovered(fitting="light", covered=True)]
    assert press(view, "next", off, 200.0)[1] == [SetCovered(fitting="light", covered=False, coverable=False)]


def test_what_cannot_be_covered_is_not_asked_for_again() -> None:
    no = msgspec.structs.replace(LIGHT, coverable=False)
    assert to_cover(seen({"light": 0.9, "drain": 0.05}, [no, DRAIN])) is None
    bonded = msgspec.structs.replace(LIGHT, kind="bonded electrode")
    assert to_cover(seen({"light": 0.9, "drain": 0.05}, [bonded, DRAIN])) is None


def test_the_next_one_counts_in_what_the_first_leaves() -> None:
    covered = msgspec.structs.replace(LIGHT, covered=True)
    strongest = to_cover(seen({"light": 0.9, "drain": 0.08}, [covered, DRAIN]))
    assert strongest is not None and strongest[0].name == "drain"
    assert to_cover(seen({"light": 0.995, "drain": 0.004}, [covered, DRAIN])) is None  # nothing left to go by


def test_less_is_enough_after_many_spots_and_nothing_before_three() -> None:
    shares = {"light": 0.35, "drain": 0.3}
    assert to_cover(seen({"light": 0.9}, [LIGHT], spots=2)) is None
    assert to_cover(seen(shares, [LIGHT, DRAIN], spots=4)) is None
    later = to_cover(seen(shares, [LIGHT, DRAIN], spots=12))
    assert later is not None and later[0].name == "light"


def test_one_repaired_hole_does_not_end_the_survey_while_more_water_is_lost() -> None:
    def after_repair(verdict: WaterVerdict | None, survey: StepStatus) -> Snapshot:
        snapshot = seen({"light": 0.1}, [LIGHT])
        assert snapshot.plan is not None and snapshot.steps is not None
        history = (FindingStage(stage="re-measured", time_s=9.0),)
        hole = Finding(position_m=(2.0, 0.0, 0.8), number=1, history=history)
        rest = {"explained": (-90.0, 5.0), "undetermined": (-50.0, 60.0), "not explained": (80.0, 190.0)}
        water = None
        if verdict is not None:
            water = WaterBudget(loss=(200.0, 210.0), explained=(15.0, 120.0), unexplained=rest[verdict],
                                verdict=verdict, by="size", text="")  # fmt: skip
        plan = msgspec.structs.replace(snapshot.plan, findings=[hole], water=water)
        steps = [msgspec.structs.replace(s, status=survey) if s.key == "survey" else s for s in snapshot.steps.steps]
        return replace(snapshot, plan=plan, steps=Steps(steps=steps))

    for verdict in (None, "explained", "undetermined"):
        assert survey_done(after_repair(verdict, "now"))
    assert not survey_done(after_repair("not explained", "now"))
    going_on = what_now(View(), after_repair("not explained", "now"))
    assert going_on.key == "next", going_on.text
    assert survey_done(after_repair("not explained", "done")) and survey_done(after_repair("not explained", "skipped"))
