"""The visit under way: what was kept, what it says, and where the visit stands. Sits between daemon and survey store.

Not thread-safe; the daemon's loop owns it. The search for sinks is slow, so it is split: `search()` takes a copy of
what it needs and may run in another thread, `adopt()` takes its result.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import msgspec

from earthward.daemon import protocol as m
from earthward.daemon.search import Search
from earthward.errors import InputError
from earthward.inversion import guide
from earthward.inversion.compare import RemeasureResult
from earthward.inversion.locate import place_in_words
from earthward.inversion.types import LocateSettings, Result
from earthward.pool.pool_file import format_pool, parse_pool
from earthward.record.finding import Finding
from earthward.record.place import Station
from earthward.record.reading import KeptReading
from earthward.safety.stray import StrayVerdict
from earthward.survey.locating import remeasure
from earthward.survey.records import (
    CurrentStep,
    SafetyCheck,
    SourcePlacement,
    StoredFinding,
    StoredFitting,
    StoredProof,
    visit_water_budget,
)
from earthward.survey.sensitivity import ProofReading, ProofResult, judge_proof, proof_wanted
from earthward.survey.store import SurveyStore

#: A new finding nearer than this to a known one is the same one.
SAME_PLACE_M = 0.5

STEP_TITLES: tuple[tuple[str, str], ...] = (
    ("loss", "Is it leaking at all, and how much?"),
    ("safe", "Is it safe to work here?"),
    ("set up", "Electrodes placed, instrument healthy"),
    ("water clear", "Nobody in the water, somebody watches it"),
    ("proof", "Test leak seen: signal to noise 3 or more"),
    ("survey", "Walls, floor and fittings read"),
    ("locate", "Sinks located"),
    ("dye", "Dye at each finding"),
    ("repair", "Repaired, the same stations read again"),
    ("account", "Current and water accounted for"),
    ("report", "Report written"),
)


def pair_ends(place: m.Station, spacing_m: float) -> tuple[m.Point, m.Point]:
    """Front and back electrode of a pair held at `place`: bearing from back to front, or front end down."""
    x, y, z = place.position_m
    half = spacing_m / 2
    if place.vertical:
        return (x, y, z + half), (x, y, z - half)
    if place.bearing_deg is None:
        raise InputError("the station has no bearing: say which way the front end points")
    angle = math.radians(place.bearing_deg)
    dx, dy = half * math.cos(angle), half * math.sin(angle)
    return (x + dx, y + dy, z), (x - dx, y - dy, z)


class Visit:
    """One visit: its store, its pool, its latest result."""

    def __init__(
        self, store: SurveyStore, spacing_m: float, wall_s: Callable[[], float], settings: LocateSettings | None = None
    ) -> None:
        self.store = store
        self.pool = parse_pool(store.pool_toml())
        self._spacing_m = spacing_m
        self._wall_s = wall_s
        self._settings = settings or LocateSettings()
        self._revision = 0
        self._stations = self._count_stations()
        self.result: Result | None = None
        self.place: m.Station | None = None
        self.notes: dict[str, str] = {}
        self._done: dict[str, str] = {}
        self._learnt: set[int] = set()
        self._measuring: dict[str, Any] = {}
        self._settings_id: int | None = None
        self._register_places()
        # Without readings to go by; worked out here, because later the daemon must not be held up.
        self._first = _told_place(guide.first_place(self.pool, guide.reachable(self.pool)))

    def _register_places(self) -> None:
        """The pool's fittings and injection electrodes get their rows in the record, unless they have them."""
        now_s = self._wall_s()
        fittings = {f.name for f in self.store.fittings()}
        for fitting in self.pool.fittings:
            if fitting.name not in fittings:
                self.store.put_fitting(
                    StoredFitting(
                        name=fitting.name,
                        kind=fitting.kind,
                        position_m=fitting.position_m,
                        covered=fitting.covered,
                        time_s=now_s,
                    )
                )
        sources = {s.source_id for s in self.store.sources()}
        for source in self.pool.sources:
            if source.id not in sources:
                # What is stated here is a plan; what was injected stands beside every reading.
                self.store.put_source(SourcePlacement(source_id=source.id, position_m=source.position_m, time_s=now_s))

    def use_settings(self, settings: Mapping[str, Any]) -> None:
        """The measuring settings from now on; readings and proofs name them."""
        self._measuring = dict(settings)
        self._settings_id = self.store.add_settings(self._measuring)

    # ---- keeping ------------------------------------------------------------------------------------------

    def keep(
        self,
        place: m.Station | None,
        reading: m.ReadingMessage,
        *,
        note: str = "",
        purpose: str = "survey",
        finding: int | None = None,
    ) -> m.Kept:
        """Write a reading durably; returns what to tell. Raises InputError when it cannot be kept."""
        place = place or self.place
        if place is None:
            raise InputError("where the pole is has not been said: choose a place first")
        if reading.value_V is None or reading.sigma_V is None:
            raise InputError("there is no reading to keep yet: wait until the lock-in has acquired")
        if not self.pool.contains([place.position_m])[0]:
            x, y, z = place.position_m
            raise InputError(f"the place ({x:.1f}, {y:.1f}) m, {z:.1f} m deep is outside the pool")
        front, back = pair_ends(place, self._spacing_m)
        name = place.name or f"S{self._stations + 1}"
        row = self.store.keep(
            KeptReading(
                front_m=front,
                back_m=back,
                value_V=reading.value_V,
                sigma_V=reading.sigma_V,
                station=name,
                time_s=self._wall_s(),
                source_id=reading.source_id,
                channel=reading.channel,
                quadrature_V=reading.quadrature_V,
                snr=reading.snr,
                p_sign=reading.p_sign,
                window_s=reading.window_s,
                lost_fraction=reading.lost_fraction,
                flags=tuple(reading.flags),
                injected_A=reading.current_A,
                note=note,
                purpose=purpose,  # type: ignore[arg-type]
                finding=finding,
                settings_id=self._settings_id,
            )
        )
        self._stations = self._count_stations()
        self.place = msgspec.structs.replace(place, name=name)
        return m.Kept(
            row=row,
            station=name,
            place=self.place,
            value_V=reading.value_V,
            sigma_V=reading.sigma_V,
            source_id=reading.source_id,
            channel=reading.channel,
        )

    @property
    def stations(self) -> int:
        return self._stations

    def _count_stations(self) -> int:
        """From the record, so that a survey opened again goes on with the next number."""
        return len({r.station for r in self.store.readings("survey")})

    # ---- searching ------------------------------------------------------------------------------------------

    def _present(self) -> list[KeptReading]:
        """The survey readings of the pool as it is now. Covering a fitting or patching a hole sends the whole current
        other ways, so one search cannot take readings from before and after; earlier ones stay in the record."""
        changed = [f.time_s for f in self.store.fittings()]
        changed += [h.time_s for f in self.store.findings() for h in f.history if h.stage == "repaired"]
        since_s = max(changed, default=-math.inf)
        return [r for r in self.store.readings("survey") if r.time_s >= since_s]

    def survey_readings(self) -> tuple[KeptReading, ...]:
        """Readings for the search, scaled to the placement's stated current."""
        stated = {s.id: s.current_A for s in self.pool.sources}
        out = []
        for r in self._present():
            nominal = stated.get(r.source_id)
            scale = 1.0 if nominal is None or not r.injected_A else nominal / r.injected_A
            out.append(msgspec.structs.replace(r, value_V=r.value_V * scale, sigma_V=r.sigma_V * scale))
        return tuple(out)

    def search(self) -> Search:
        """A search over everything kept so far, to be run where it may take its time."""
        self._learn_currents()
        return Search(format_pool(self.pool), self.survey_readings(), self._settings)

    def _learn_currents(self) -> None:
        """What each placement really injected at its first reading, instead of what was planned.

        Later readings are scaled to it, so that the problem stays the same one and grows reading by reading.
        """
        for r in self._present():
            if r.injected_A and r.source_id not in self._learnt:
                self._learnt.add(r.source_id)
                sources = tuple(
                    replace(s, current_A=r.injected_A) if s.id == r.source_id else s for s in self.pool.sources
                )
                self.pool = replace(self.pool, sources=sources)
                # Into the record as well: whoever searches an export must take the same current.
                where = self.pool.source(r.source_id).position_m
                self.store.put_source(
                    SourcePlacement(
                        source_id=r.source_id, position_m=where, current_A=r.injected_A, time_s=self._wall_s()
                    )
                )

    def adopt(self, result: Result) -> None:
        """Take a search's result: findings that are certain enough enter the record as suspected."""
        self.result = result
        self._revision += 1
        for finding in result.findings:
            known = self._known(finding)
            if known is None:
                if finding.certain:
                    self.store.put_finding(self._stored(0, finding))
            elif known.stage == "suspected":
                self.store.put_finding(self._stored(known.number, finding))
        self.store.add_location(result.to_json())

    def _stored(self, number: int, f: Finding) -> StoredFinding:
        return StoredFinding(
            number=number,
            position_m=f.position_m,
            radius_m=f.radius_m,
            current_A=f.current_A,
            current_interval_A=f.current_interval_A,
            hole_diameter_mm=f.hole_diameter_mm,
            text=place_in_words(self.pool, f.position_m),
        )

    def _known(self, finding: Finding) -> StoredFinding | None:
        near = [
            (math.dist(f.position_m, finding.position_m), f)
            for f in self.store.findings()
            if f.stage in ("suspected", "dye drawn", "dye not drawn")
        ]
        near = [pair for pair in near if pair[0] <= SAME_PLACE_M]
        return min(near, key=lambda pair: pair[0])[1] if near else None

    # ---- what the person tells ------------------------------------------------------------------------------

    def set_stage(self, number: int, stage: str, note: str = "", result: dict[str, Any] | None = None) -> None:
        self.store.set_finding_stage(number, stage, note, result, self._wall_s())
        if stage == "repaired":
            self._learnt.clear()
        self._revision += 1

    def set_covered(self, name: str, covered: bool) -> None:
        """Raises InputError for a fitting that is not there."""
        if name not in {f.name for f in self.pool.fittings}:
            known = ", ".join(f.name for f in self.pool.fittings) or "none"
            raise InputError(f"there is no fitting named {name!r} in this pool; known are: {known}")
        if next(f for f in self.pool.fittings if f.name == name).covered == covered:
            return
        fittings = tuple(replace(f, covered=covered) if f.name == name else f for f in self.pool.fittings)
        self.store.set_covered(name, covered, self._wall_s())
        self.pool = replace(self.pool, fittings=fittings)
        self._learnt.clear()
        self.store.set_pool_toml(format_pool(self.pool))
        self._revision += 1

    def add_current_step(self, step: CurrentStep) -> None:
        self.store.add_current_step(step)

    def record_stray(self, verdict: StrayVerdict) -> None:
        """Every quantity of a stray-voltage check, with the level that counts as trouble."""
        self.notes["safe"] = verdict.text
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

    def judge_test_leak(self, distance_m: float) -> ProofResult:
        """The proof that a leak would be seen here today, from what was kept at the test leak. Raises InputError."""
        readings = [
            ProofReading(r.value_V, r.sigma_V, r.note == "connected")
            for r in self._unjudged()
            if r.note in ("connected", "disconnected")
        ]
        result = judge_proof(readings, distance_m)
        self.store.add_proof(
            StoredProof(
                ok=result.ok,
                result={**result.as_dict(), "distance_m": distance_m},
                settings_id=self._settings_id,
                time_s=self._wall_s(),
            )
        )
        return result

    def _unjudged(self) -> list[KeptReading]:
        """Readings at the test leak since the last judgement: a repetition stands on its own."""
        judged_s = max((p.time_s for p in self.store.proofs()), default=-math.inf)
        return [r for r in self.store.readings("test leak") if r.time_s > judged_s]

    def proof_wanted(self) -> str | None:
        """Why the test leak must be read (again) before the newest readings count; None if the last proof holds."""
        proofs = self.store.proofs()
        if not proofs:
            return proof_wanted(self._measuring, None, False, None)
        last = proofs[-1]
        # A proof from before settings were recorded cannot be compared: it holds for what is set now.
        proven = self._measuring if last.settings_id is None else self.store.settings().get(last.settings_id, {})
        kept = [r.time_s for r in self.store.readings() if r.purpose != "test leak"]
        newest_s = max(kept, default=last.time_s)
        return proof_wanted(self._measuring, proven, last.ok, max(0.0, newest_s - last.time_s))

    def remeasure(self, number: int) -> RemeasureResult:
        """Is the repaired sink gone? May take its time; safe in another thread. Raises InputError."""
        return remeasure(self.store, self.pool, number)

    def step_done(self, key: str, note: str = "") -> None:
        if key not in dict(STEP_TITLES):
            raise InputError(f"there is no step {key!r}: use one of {', '.join(dict(STEP_TITLES))}")
        self._done[key] = note or "done"

    # ---- what is shown --------------------------------------------------------------------------------------

    def plan(self, budget: m.Budget | None = None) -> m.Plan:
        result = self.result
        findings = [_told(f, f.number, f.stage) for f in self.store.findings()]
        tentative: list[m.Finding] = []
        cells: list[m.Cell] = []
        if result is not None:
            tentative = [_told(f, 0, "suspected") for f in result.findings if self._known(f) is None and not f.certain]
            cells = _cells(result)
        shares = {} if result is None else {s.name: s for s in result.budget.fittings}
        return m.Plan(
            revision=self._revision,
            name=self.pool.name,
            outline_m=[(float(x), float(y)) for x, y in self.pool.outline_m],
            depth_text=f"to {self.pool.floor.greatest_depth_m:.1f} m deep",
            sources=[s.position_m for s in self.pool.sources],
            fittings=[
                m.Fitting(
                    name=f.name,
                    kind=f.kind,
                    position_m=f.position_m,
                    covered=f.covered,
                    current_A=shares[f.name].current_A if f.name in shares else None,
                    interval_A=shares[f.name].interval_A if f.name in shares else None,
                )
                for f in self.pool.fittings
            ],
            kept=self._kept_points(),
            cells=cells,
            findings=findings + tentative,
            p_leak_count={} if result is None else result.p_leak_count,
            budget=budget or self.budget(),
            next_station=self.next_station(),
            coverage_fraction=None
            if result is None or result.coverage is None
            else result.coverage.fraction_at_reference,
            text="" if result is None else " ".join((result.text, *result.advice)),
        )

    def budget(self) -> m.Budget:
        """Where current and water go, as far as it is known."""
        tests = self.store.loss_tests()
        water = visit_water_budget(tests, self.store.findings())
        parts = [] if water is None else [f"Water: {water.verdict}, {water.text}."]
        budget = m.Budget(
            loss_L_per_day=None if not tests else tests[0].result["leak_L_per_day"],
            loss_interval_L_per_day=None if water is None else water.loss,
            explained_L_per_day=None if water is None or water.by == "nothing" else water.explained,
            text=" ".join(["Nothing kept yet.", *parts]),
        )
        if self.result is None:
            return budget
        b = self.result.budget
        return msgspec.structs.replace(
            budget,
            injected_A=b.injected_A,
            fittings_A=sum(s.current_A for s in b.fittings),
            findings_A=b.findings_A,
            unexplained_A=b.unexplained_A,
            unexplained_interval_A=b.unexplained_interval_A,
            text=". ".join([b.text, *parts]),
        )

    def next_station(self) -> m.Station | None:
        """Where a reading would say most; the first place while nothing has been searched yet."""
        if self.result is None:
            return self._first
        station = self.result.next_station
        return None if station is None else _told_place(station)

    def _kept_points(self) -> list[m.KeptPoint]:
        points = []
        for r in self.store.readings("survey"):
            dx, dy, dz = (a - b for a, b in zip(r.front_m, r.back_m, strict=True))
            vertical = math.hypot(dx, dy) < abs(dz)
            centre = tuple((a + b) / 2 for a, b in zip(r.front_m, r.back_m, strict=True))
            place = m.Station(
                position_m=(centre[0], centre[1], centre[2]),
                bearing_deg=None if vertical else math.degrees(math.atan2(dy, dx)) % 360.0,
                vertical=vertical,
                name=r.station,
            )
            points.append(m.KeptPoint(place=place, value_V=r.value_V, sigma_V=r.sigma_V, source_id=r.source_id))
        return points

    def steps(self, safe: bool | None, healthy: bool, clear: bool = False) -> m.Steps:
        """Where the visit stands. `safe`: the stray-voltage check's outcome, None = not made; `clear`: the statement
        that nobody is in the water holds at present."""
        store, result = self.store, self.result
        findings = store.findings()
        loss, proofs = store.loss_tests(), store.proofs()
        wanted = self.proof_wanted()
        water = visit_water_budget(loss, findings)
        accounts = "" if result is None else result.budget.text
        if water is not None:
            accounts = f"{accounts}. Water: {water.verdict}, {water.text}".removeprefix(". ")
        verdicts: dict[str, tuple[bool | None, str]] = {
            "loss": (True, str(loss[-1].result.get("text", "measured"))) if loss else (None, ""),
            "safe": (None, "not checked yet") if safe is None else (safe, self.notes.get("safe", "")),
            "set up": (healthy or None, self.notes.get("set up", "")),
            "water clear": (clear or None, "stated" if clear else "Look at the whole pool, then say so."),
            "proof": (None, f"{wanted}.") if not proofs else _proof_step(proofs[-1], wanted),
            "survey": (True if self._stations >= 6 else None, f"{self._stations} stations"),
            "locate": (None, "") if result is None else (True if result.verdict == "found" else None, result.text),
            "dye": (_all(f.stage != "suspected" for f in findings), f"findings: {len(findings)}"),
            "repair": (_all(f.stage == "re-measured" for f in findings), ""),
            "account": (None if water is None or water.by != "repair" else _ACCOUNTS[water.verdict], accounts),
            "report": (None, ""),
        }
        steps, now_given = [], False
        for key, title in STEP_TITLES:
            ok, text = verdicts[key]
            if key in self._done:
                ok, text = True, self._done[key]
            status = "done" if ok else "failed" if ok is False else "to do"
            if status == "to do" and not now_given:
                status, now_given = "now", True
            steps.append(m.Step(key=key, title=title, status=status, text=text))  # type: ignore[arg-type]
        return m.Steps(steps=steps)


def _told_place(station: Station) -> m.Station:
    return m.Station(
        position_m=station.position_m,
        bearing_deg=station.bearing_deg,
        vertical=station.vertical,
        name=station.name,
        text=station.text,
    )


#: water budget after a repair -> is that step done, failed, or still open
_ACCOUNTS: dict[str, bool | None] = {"explained": True, "not explained": False, "undetermined": None}


def _proof_step(last: StoredProof, wanted: str | None) -> tuple[bool | None, str]:
    text = str(last.result.get("text", ""))
    if wanted is None:
        return True, text
    # It held once: to be repeated, not failed.
    return (None, f"{wanted}.") if last.ok else (False, text)


def _all(conditions: Any) -> bool | None:
    listed = list(conditions)
    return True if listed and all(listed) else None


def _told(f: StoredFinding | Finding, number: int, stage: str) -> m.Finding:
    return m.Finding(
        number=number,
        position_m=f.position_m,
        radius_m=f.radius_m,
        current_A=f.current_A,
        current_interval_A=f.current_interval_A,
        hole_diameter_mm=f.hole_diameter_mm,
        stage=stage,
        text=f.text,
    )


def _cells(result: Result) -> list[m.Cell]:
    cells = [m.Cell(position_m=c.position_m, size_m=0.1, probability=c.probability) for c in result.posterior]
    if result.coverage is not None:
        cells += [
            m.Cell(position_m=c.position_m, size_m=c.size_m, detectable_A=c.detectable_A) for c in result.coverage.cells
        ]
    return cells
