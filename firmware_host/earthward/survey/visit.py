"""The visit under way: what was kept, what it says, and where the visit stands.

One thread at a time: its owner sees to that. The search for sinks is slow, so it is split: `search_input()` takes a
copy of what it needs and may be worked on elsewhere, `adopt()` takes the result. Order in the record is by row, never
by the calendar: a machine without a battery clock may wake up hours back in time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np

from earthward.errors import InputError
from earthward.inversion.compare import RemeasureResult
from earthward.inversion.covers import joined
from earthward.inversion.spots import first_place, toward_wall, within_reach
from earthward.inversion.types import NO_DYE_WITHIN_M, EarlierCovers, LocateSettings, Result
from earthward.pool.place_words import place_in_words
from earthward.pool.pool_file import format_pool, parse_pool
from earthward.pool.shape import Pool
from earthward.record.finding import Finding, Stage, WaterBudget
from earthward.record.place import Depth, Head, Orientation, Placement, Station
from earthward.record.reading import NONE_COVERED, KeptReading, Measured, Purpose, Reading, TestLeakState
from earthward.record.step import Step
from earthward.record.visit import CurrentStep, SafetyCheck, SensitivityTest
from earthward.safety.stray import StrayVerdict
from earthward.survey.levels import visit_water_budget
from earthward.survey.locating import floating_sinks, remeasure
from earthward.survey.pair import at_depth, pair_ends
from earthward.survey.sensitivity import SensitivityResult, judge_sensitivity, sensitivity_wanted
from earthward.survey.steps import STEP_TITLES, Instrument, course, outcomes_of
from earthward.survey.store import SurveyStore


def _as_sensed(told: Orientation | None) -> dict[str, Any]:
    """What a reading keeps of a sensor's word."""
    if told is None:
        return {}
    known = told.bearing_sigma_deg is not None
    return {
        "bearing_deg": told.bearing_deg if known else None,
        "bearing_sigma_deg": told.bearing_sigma_deg,
        "tilt_deg": told.tilt_deg,
        "tilt_sigma_deg": told.tilt_sigma_deg,
    }


#: A new finding nearer than this to a known one is the same one.
SAME_PLACE_M = 0.5
#: Facts of the visit that the record keeps under a name: the last reading's row when the current's ways changed (a
#: cover, a patch), and when a patch did that; when the test leak was judged; the steps that a person marked as done.
CHANGED_AFTER_ROW = "changed_after_row"
PATCHED_AFTER_ROW = "patched_after_row"
JUDGED_AFTER_ROW = "judged_after_row"
MARKED_STEPS = "marked_steps"


class Visit:
    """One visit: its store, its pool, its latest result. `revision` counts what a plan would show anew."""

    def __init__(
        self, store: SurveyStore, spacing_m: float, wall_s: Callable[[], float], settings: LocateSettings | None = None
    ) -> None:
        self.store = store
        self.pool = parse_pool(store.pool_toml())
        self._spacing_m = spacing_m
        self._wall_s = wall_s
        self._settings = settings or LocateSettings()
        self.revision = 0
        self._stations = self._count_stations()
        self.result: Result | None = None
        self._stray_text = ""
        self._learnt: set[int] = set()
        #: How often something was covered or patched, and what that count was when the search under way began.
        self._changes = self._searched_at = 0
        self._measuring: dict[str, Any] = {}
        self._settings_id: int | None = None
        self._last_kept: tuple[Any, Reading, KeptReading] | None = None
        self._register_places()
        # Without readings to go by; worked out here, because later the daemon must not be held up.
        self._first = first_place(self.pool, within_reach(self.pool))

    def _register_places(self) -> None:
        """The pool's fittings and injection electrodes get their rows in the record, unless they have them."""
        now_s = self._wall_s()
        fittings = {f.name for f in self.store.fittings()}
        for fitting in self.pool.fittings:
            if fitting.name not in fittings:
                self.store.put_fitting(msgspec.structs.replace(fitting, time_s=now_s))
        sources = {s.source_id for s in self.store.sources()}
        for source in self.pool.sources:
            if source.source_id not in sources:
                # What is stated here is a plan; what was injected stands beside every reading.
                self.store.put_source(Placement(source_id=source.source_id, position_m=source.position_m, time_s=now_s))

    @property
    def head(self) -> Head:
        """What the pole head reads at once."""
        return self._settings.head

    def wall_bearing_deg(self, place: Station) -> float:
        """From a place square to the nearest wall."""
        toward = toward_wall(self.pool, np.array([place.position_m]))[0]
        return math.degrees(math.atan2(toward[1], toward[0])) % 360.0

    def use_settings(self, settings: Mapping[str, Any]) -> None:
        """The measuring settings from now on; readings and sensitivity tests name them."""
        self._measuring = dict(settings)
        self._settings_id = self.store.add_settings(self._measuring)

    # ---- keeping ------------------------------------------------------------------------------------------

    def keep(
        self,
        place: Station | None,
        reading: Reading,
        *,
        source_id: int = 0,
        injected_A: float | None = None,
        note: str = "",
        purpose: Purpose = "survey",
        finding: int | None = None,
        test_leak: TestLeakState | None = None,
        uid: str = "",
        turn: str = "",
        orientation: Orientation | None = None,
        depth: Depth | None = None,
    ) -> KeptReading:
        """Write a reading durably and give it back as it stands in the record. InputError when it cannot be kept.

        The same `uid`, or a reading that overlaps in time with one just kept in the same way at the same place, is the
        same measurement: the row that it has is given back.
        """
        if place is None:
            raise InputError("where the pole is has not been said: choose a place first")
        if reading.value_V is None or reading.sigma_V is None:
            raise InputError("there is no reading to keep yet: wait until the lock-in has acquired")
        if not self.pool.contains([place.position_m])[0]:
            x, y, z = place.position_m
            raise InputError(f"the place ({x:.1f}, {y:.1f}) m, {z:.1f} m deep is outside the pool")
        way = (place.position_m, place.bearing_deg, place.vertical, reading.channel, source_id, purpose, finding, note)
        again = self._kept_already((*way, test_leak), reading) if not uid else self._known_uid(uid)
        if again is not None:
            return again
        sensed = None if depth is None else at_depth(self.pool, place, self._spacing_m, self.head, orientation, depth)
        front, back = pair_ends(sensed or place, self._spacing_m, self.head, reading.channel, orientation)
        kept = KeptReading(
            front_m=front,
            back_m=back,
            value_V=reading.value_V,
            sigma_V=reading.sigma_V,
            station=place.name or f"S{self._stations + 1}",
            time_s=self._wall_s(),
            source_id=source_id,
            injected_A=injected_A,
            note=note,
            purpose=purpose,
            finding=finding,
            test_leak=test_leak,
            settings_id=self._settings_id,
            uid=uid,
            turn=turn,
            **_as_sensed(orientation),
            depth_m=None if sensed is None else sensed.position_m[2],
            depth_sigma_m=None if sensed is None or depth is None else depth.sigma_m,
            covered=tuple(sorted(self.covered)) or NONE_COVERED,
            # What the lock-in measured is kept as it is, whatever fields it has.
            **{name: getattr(reading, name) for name in Measured.__struct_fields__},
        )
        kept = msgspec.structs.replace(kept, row=self.store.keep(kept))
        self._last_kept = ((*way, test_leak), reading, kept)
        self._stations = self._count_stations()
        self.revision += 1
        return kept

    def _known_uid(self, uid: str) -> KeptReading | None:
        return next((r for r in self.store.readings(withdrawn=True) if r.uid == uid), None)

    def _kept_already(self, way: Any, reading: Reading) -> KeptReading | None:
        if self._last_kept is None:
            return None
        last_way, last, kept = self._last_kept
        overlap = abs(reading.t_s - last.t_s) < (reading.window_s or 0.0)
        return kept if overlap and way == last_way else None

    def withdraw(self, row: int, why: str) -> None:
        """Take a reading back; it stays in the record, marked. Raises InputError."""
        if not why.strip():
            raise InputError(f"why reading {row} is taken back is missing: give a reason")
        self.store.withdraw(row, why.strip(), self._wall_s())
        self._last_kept = None
        self._learnt.clear()
        self._stations = self._count_stations()
        self.revision += 1

    @property
    def stations(self) -> int:
        return self._stations

    def _count_stations(self) -> int:
        """From the record, so that a survey opened again goes on with the next number."""
        return len({r.station for r in self.store.readings("survey")})

    # ---- searching ------------------------------------------------------------------------------------------

    def _last_row(self) -> int:
        return max((r.row for r in self.store.readings(withdrawn=True)), default=0)

    def _present(self) -> list[KeptReading]:
        """The survey readings of the pool as it is now."""
        return [r for r in self._since_patch() if r.covered_then(self.covered) == self.covered]

    def _since_patch(self) -> list[KeptReading]:
        """The survey readings that one search can take. Patching a hole sends the whole current other ways: earlier
        readings stay in the record. So does covering a fitting, but there the search knows what changed, if the reading
        says what was covered."""
        meta = self.store.meta()
        after = meta.get(CHANGED_AFTER_ROW)
        readings = self.store.readings("survey")
        if after is None:
            return readings if self._never_changed() else [r for r in readings if r.time_s >= self._changed_s()]
        # A record from before patches were kept apart: whatever changed counts as one.
        patched = int(meta.get(PATCHED_AFTER_ROW, after if self._was_patched() else -1))
        return [r for r in readings if r.row > int(after) or (r.row > patched and r.covered)]

    def _was_patched(self) -> bool:
        return any(h.stage == "repaired" for f in self.store.findings() for h in f.history)

    def _never_changed(self) -> bool:
        return self._changed_s() == -math.inf

    def _changed_s(self) -> float:
        """In a record from before changes were kept by row: when the last one was made."""
        changed = [f.time_s for f in self.store.fittings()]
        changed += [h.time_s for f in self.store.findings() for h in f.history if h.stage == "repaired"]
        return max(changed, default=-math.inf)

    def _ways_change(self) -> None:
        """From here on the current takes other ways than in the readings so far."""
        self.store.set_meta(CHANGED_AFTER_ROW, self._last_row())
        self._learnt.clear()
        self._changes += 1
        self.revision += 1

    def survey_readings(self) -> tuple[KeptReading, ...]:
        """Readings for the search, scaled to the current that is stated for their placement in their state of the
        covers."""
        return self._for_search()[1]

    def _for_search(self) -> tuple[Pool, tuple[KeptReading, ...], tuple[EarlierCovers, ...]]:
        stated = {s.source_id: s.current_A for s in self.pool.sources}
        pool, readings, earlier = joined(self.pool, self._since_patch())
        out = []
        for r in readings:
            nominal = stated.get(r.source_id) if r.covered_then(self.covered) == self.covered else None
            scale = 1.0 if nominal is None or not r.injected_A else nominal / r.injected_A
            out.append(msgspec.structs.replace(r, value_V=r.value_V * scale, sigma_V=r.sigma_V * scale))
        return pool, tuple(out), earlier

    def search_input(self) -> tuple[Pool, tuple[KeptReading, ...], LocateSettings]:
        """What a search over everything kept so far needs, detached from the visit."""
        self._learn_currents()
        self._searched_at = self._changes
        pool, readings, earlier = self._for_search()
        return pool, readings, replace(self._settings, floating=floating_sinks(self.store.findings()), earlier=earlier)

    def _learn_currents(self) -> None:
        """What each placement really injected at its first reading, instead of what was planned.

        Later readings are scaled to it, so that the problem stays the same one and grows reading by reading.
        """
        for r in self._present():
            if r.injected_A and r.source_id not in self._learnt:
                self._learnt.add(r.source_id)
                sources = tuple(
                    msgspec.structs.replace(s, current_A=r.injected_A) if s.source_id == r.source_id else s
                    for s in self.pool.sources
                )
                self.pool = replace(self.pool, sources=sources)
                # Into the record as well: whoever searches an export must take the same current.
                where = self.pool.source(r.source_id).position_m
                self.store.put_source(
                    Placement(source_id=r.source_id, position_m=where, current_A=r.injected_A, time_s=self._wall_s())
                )

    def adopt(self, result: Result) -> bool:
        """Take a search's result: findings that are certain enough enter the record as suspected. False (nothing is
        taken) where something was covered or patched since the search began: it speaks of another pool."""
        if self._searched_at != self._changes:
            return False
        if result.coverage is None and self.result is not None and self.result.coverage is not None:
            # After a cover or a patch there are too few spots at first: what was found before still stands.
            self.result = replace(self.result, next_station=result.next_station, further=result.further)
            self.revision += 1
            return True
        self.result = result
        self.revision += 1
        for finding in result.findings:
            known = self.known_as(finding)
            if known is None:
                if finding.certain:
                    self.store.put_finding(self._stored(0, finding))
            elif known.stage == "suspected":
                self.store.put_finding(self._stored(known.number, finding))
        self.store.add_location(result.to_json())
        return True

    def _stored(self, number: int, f: Finding) -> Finding:
        return Finding(
            number=number,
            position_m=f.position_m,
            radius_m=f.radius_m,
            current_A=f.current_A,
            current_interval_A=f.current_interval_A,
            hole_diameter_mm=f.hole_diameter_mm,
            text=place_in_words(self.pool, f.position_m),
        )

    def known_as(self, finding: Finding) -> Finding | None:
        """The finding of the record that a search's finding is, if any."""
        near = [
            (math.dist(f.position_m, finding.position_m), f)
            for f in self.store.findings()
            if f.stage in ("suspected", "dye drawn", "dye not drawn")
        ]
        near = [(d, f) for d, f in near if d <= (NO_DYE_WITHIN_M if f.stage == "dye not drawn" else SAME_PLACE_M)]
        return min(near, key=lambda pair: pair[0])[1] if near else None

    # ---- what the person tells ------------------------------------------------------------------------------

    def set_stage(self, number: int, stage: Stage, note: str = "", result: dict[str, Any] | None = None) -> None:
        self.store.set_finding_stage(number, stage, note, result, self._wall_s())
        if stage == "repaired":
            self.store.set_meta(PATCHED_AFTER_ROW, self._last_row())
            self._ways_change()
        self.revision += 1

    @property
    def covered(self) -> frozenset[str]:
        """The fittings that are covered now."""
        return frozenset(f.name for f in self.pool.fittings if f.covered)

    def set_covered(self, name: str, covered: bool, coverable: bool = True) -> None:
        """Raises InputError for a fitting that is not there."""
        if name not in {f.name for f in self.pool.fittings}:
            known = ", ".join(f.name for f in self.pool.fittings) or "none"
            raise InputError(f"there is no fitting named {name!r} in this pool; known are: {known}")
        self.store.set_coverable(name, coverable)
        self.revision += 1
        if next(f for f in self.pool.fittings if f.name == name).covered == covered:
            return
        fittings = tuple(
            msgspec.structs.replace(f, covered=covered) if f.name == name else f for f in self.pool.fittings
        )
        self.store.set_covered(name, covered, self._wall_s())
        self._ways_change()
        self.pool = replace(self.pool, fittings=fittings)
        self.store.set_pool_toml(format_pool(self.pool))

    def add_current_step(self, step: CurrentStep) -> None:
        self.store.add_current_step(step)

    def record_stray(self, verdict: StrayVerdict) -> None:
        """Every quantity of a stray-voltage check, with the level that counts as trouble."""
        self._stray_text = verdict.text
        for line in verdict.lines:
            self.store.add_safety_check(
                SafetyCheck(
                    name=line.name,
                    ok=line.level in ("nothing found", "caution"),
                    value=line.value,
                    unit=line.unit,
                    limit_value=line.trouble_at,
                    text=line.level,
                )
            )

    def judge_test_leak(self, distance_m: float) -> SensitivityResult:
        """Would a leak be seen here today? Judged from what was kept at the test leak. Raises InputError."""
        result = judge_sensitivity(self._unjudged(), distance_m)
        self.store.set_meta(JUDGED_AFTER_ROW, self._last_row())
        self.store.add_sensitivity_test(
            SensitivityTest(
                ok=result.ok,
                result={**result.as_dict(), "distance_m": distance_m},
                settings_id=self._settings_id,
                time_s=self._wall_s(),
            )
        )
        return result

    def _unjudged(self) -> list[KeptReading]:
        """Readings at the test leak since the last judgement: a repetition stands on its own."""
        after = int(self.store.meta().get(JUDGED_AFTER_ROW, 0))
        return [r for r in self.store.readings("test leak") if r.row > after]

    def sensitivity_wanted(self) -> str | None:
        """Why the test leak must be read (again) before the newest readings count; None if the last test holds."""
        tests = self.store.sensitivity_tests()
        if not tests:
            return sensitivity_wanted(self._measuring, None, False, None)
        last = tests[-1]
        # A sensitivity test from before settings were recorded cannot be compared: it holds for what is set now.
        proven = self._measuring if last.settings_id is None else self.store.settings().get(last.settings_id, {})
        kept = [r.time_s for r in self.store.readings() if r.purpose != "test leak"]
        newest_s = max(kept, default=last.time_s)
        return sensitivity_wanted(self._measuring, proven, last.ok, max(0.0, newest_s - last.time_s))

    def remeasure(self, number: int) -> RemeasureResult:
        """Is the repaired sink gone? May take its time; safe in another thread. Raises InputError."""
        return remeasure(self.store, self.pool, number, settings=self._settings)

    def step_done(self, key: str, note: str = "") -> None:
        """A person says that a step is done. Raises InputError for a step that there is not."""
        if key not in STEP_TITLES:
            raise InputError(f"there is no step {key!r}: use one of {', '.join(STEP_TITLES)}")
        self.store.set_meta(MARKED_STEPS, {**self._marked(), key: note or "done"})

    def unmark(self, key: str) -> None:
        """The step is open again."""
        self.store.set_meta(MARKED_STEPS, {k: v for k, v in self._marked().items() if k != key})

    def _marked(self) -> dict[str, str]:
        return dict(self.store.meta().get(MARKED_STEPS, {}))

    def newest_s(self) -> float:
        """The latest moment that the record speaks of, by the calendar of when it was written."""
        times = [float(self.store.meta()["created_s"])]
        times += [r.time_s for r in self.store.readings(withdrawn=True)]
        times += [h.time_s for f in self.store.findings() for h in f.history]
        return max(times)

    # ---- what it says ---------------------------------------------------------------------------------------

    def water_budget(self) -> WaterBudget | None:
        """None while the loss has not been measured."""
        return visit_water_budget(self.store.loss_tests(), self.store.findings())

    def next_station(self) -> Station | None:
        """Where a reading would say most; the first place while nothing has been searched yet."""
        return self._first if self.result is None else self.result.next_station

    def steps(self, instrument: Instrument) -> list[Step]:
        """Where the visit stands."""
        instrument = replace(instrument, stray_text=self._stray_text)
        meta = self.store.meta()
        changed_since = int(meta.get(CHANGED_AFTER_ROW, -1)) >= int(meta.get(JUDGED_AFTER_ROW, 0))
        wanted = self.sensitivity_wanted()
        outcomes = outcomes_of(self.store, self.result, self._stations, wanted, instrument, changed_since)
        return course(outcomes, self._marked())
