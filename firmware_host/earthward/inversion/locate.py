"""Where current leaves the pool: `Survey` takes readings one by one, `locate` all at once; both give a `Result`.

The method is told in docs/method-location.md. Nothing here measures time or touches files.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import msgspec
import numpy as np

from earthward.errors import InputError
from earthward.inversion import check, guide, lead
from earthward.inversion.budget import make_budget
from earthward.inversion.decision import COUNT_PRIOR, Answer, count_probabilities
from earthward.inversion.lead import FloatArray, LeadField
from earthward.inversion.limits import summarise, upper_limits
from earthward.inversion.liner import LinerGrid
from earthward.inversion.no_dye import solve_beside_dye
from earthward.inversion.observations import StationData, add_reading, pack
from earthward.inversion.prepare import make_problem
from earthward.inversion.spots import first_place
from earthward.inversion.types import Coverage, LocateSettings, PosteriorCell, Result, SuspectReading
from earthward.inversion.update import updated
from earthward.inversion.wording import cover_next, make_finding, put_into_words, rounded
from earthward.pool.field import Field
from earthward.pool.shape import Pool
from earthward.record.finding import CurrentBudget, FittingShare
from earthward.record.place import Station
from earthward.record.reading import KeptReading

FEWEST_STATIONS = 3
#: Two answers within this distance of each other speak of the same place.
AGREE_M = 0.3


class Survey:
    """Readings of one visit and what they say so far. Adding a reading costs one lead field per new station."""

    def __init__(
        self,
        pool: Pool,
        settings: LocateSettings | None = None,
        field: Field | None = None,
        liner: LinerGrid | None = None,
    ) -> None:
        """`liner`: `problem.liner` of an earlier survey of the same shape, which saves half a second."""
        check.check_pool(pool)
        self.pool = pool
        self.settings = settings or LocateSettings()
        self.problem = make_problem(pool, self.settings, field, liner)
        self.readings: list[KeptReading] = []
        self._stations: dict[str, StationData] = {}
        self._lead_fields: dict[tuple[float, ...], LeadField] = {}
        self._expected: dict[str, list[float]] = {}
        """By station: what its readings could be at the most, in volts."""
        self.last_answer: Answer | None = None
        """What the latest `result` rests on; None before three stations."""
        self._thought: dict[int, list[FloatArray]] = {}
        """By the number of stations: where a leak was thought to be then."""

    @cached_property
    def places(self) -> guide.Places:
        """Where the head can be held from the deck."""
        return guide.reachable(self.pool)

    def add(self, reading: KeptReading) -> None:
        """Take one more reading. InputError if it cannot be what it says; the survey is then unchanged."""
        check.check_reading(self.pool, reading)
        check.check_copies([*self.readings, reading])
        add_reading(self.problem, self._stations, reading, self._lead_fields)
        self.readings.append(reading)

    def remove(self, row: int) -> None:
        """Forget the reading with that row number."""
        kept = [r for r in self.readings if r.row != row]
        self.readings, self._stations, self._expected, self.last_answer = [], {}, {}, None
        for r in kept:
            add_reading(self.problem, self._stations, r, self._lead_fields)
            self.readings.append(r)

    def result(self, *, coverage: bool = True, guidance: bool = True) -> Result:
        """What all readings so far say together. They alone decide, not what was thought with fewer of them: a start
        from the last answer would be quicker, and stay caught where that one was wrong."""
        places = {tuple(np.round(s.lead_field.centre_m, 2)) for s in self._stations.values()}
        if len(places) < FEWEST_STATIONS:
            return self._too_few(len(places))
        self._check_units()
        answer = solve_beside_dye(self.problem, *pack(self.problem, list(self._stations.values())))
        answer = self._agreed(answer)
        self.last_answer = answer
        return self._report(answer, coverage, guidance)

    def update(self, *, coverage: bool = True, guidance: bool = True) -> Result:
        """The same in a fraction of the time where the readings added since the latest result surprise nobody
        (`update.updated`); else all that `result` does. `Result.provisional` says which: a full search has to follow,
        because only that decides how many sinks there are and calls anything found."""
        if self.last_answer is None:
            return self.result(coverage=coverage, guidance=guidance)
        self._check_units()
        packed = pack(self.problem, list(self._stations.values()))
        answer = updated(self.last_answer, *packed)
        if answer is None:
            return self.result(coverage=coverage, guidance=guidance)
        self.last_answer = answer
        return replace(self._report(answer, coverage, guidance), provisional=True)

    def _agreed(self, answer: Answer) -> Answer:
        """The answer, called found only if the one with fewer stations thought of the same places: whoever asks after
        each station and stops at the first "found" gets every station's chance of a wrong one."""
        stations = answer.obs.stations
        now = [leak.position_m for leak in (*answer.leaks, answer.doubtful) if leak is not None]
        fewer = [count for count in self._thought if count < stations]
        before = self._thought[max(fewer)] if fewer else None
        self._thought[stations] = now
        if before is None or all(_near(leak.position_m, before) for leak in answer.leaks):
            return answer
        return replace(answer, may_be_found=False)

    def next_station(self) -> Station:
        """Where to measure next, by the latest result."""
        answer = self.last_answer
        if answer is None:
            taken = [s.lead_field.centre_m for s in self._stations.values()]
            return first_place(self.pool, self.places.centre_m, taken)
        return self._next(answer)[0]

    # --- inside ------------------------------------------------------------------------------------------

    def _check_units(self) -> None:
        rho = self.problem.resistivity
        n = len(self.problem.liner.nodes)
        for s in self._stations.values():
            sources = s.lead_field.coefficient[:, n : n + len(self.problem.sources_m)]
            known = self._expected.setdefault(s.name, [])
            for k in range(len(known), len(s.pair)):
                axis, source = s.pair[k], s.source[k]
                x = s.lead_field.centre_m + s.ends_m[axis]
                d = np.linalg.norm(x - self.problem.sources_m[source], axis=1)
                table = lead.basis(s.ends_m[axis] / lead.RADIUS_M, s.lead_field.degree)
                near = (1 / d[1] - 1 / d[0]) / (4 * math.pi) + float((table[1] - table[0]) @ sources[:, source])
                known.append(rho * float(self.problem.injected_mA[source]) * 1e-3 * near)
        value = [v * 1e-6 for s in self._stations.values() for v in s.value_uV]
        expected = [v for s in self._stations.values() for v in self._expected[s.name]]
        sentence = check.unit_mistake(value, expected)
        if sentence:
            raise InputError(sentence)

    def _too_few(self, stations: int) -> Result:
        count = len(self.readings)
        taken = [s.lead_field.centre_m for s in self._stations.values()]
        place = first_place(self.pool, self.places.centre_m, taken)
        injected = self.problem.injected_now_mA * 1e-3
        shares = tuple(
            FittingShare(name=s.name, current_A=0.0, interval_A=(0.0, injected))
            for s in self.problem.fittings
            if not self.problem.covered_now(s)
        )
        budget = CurrentBudget(
            injected_A=injected,
            fittings=shares,
            findings_interval_A=(0.0, injected),
            unexplained_A=injected,
            unexplained_interval_A=(0.0, injected),
            text="nothing is known yet",
        )
        what = (
            "there is no reading yet"
            if not count
            else ("there is only one reading" if count == 1 else f"there are readings from only {stations} station(s)")
        )
        text = f"cannot tell, because {what}: at least {FEWEST_STATIONS} stations are needed, {place.text}"
        flat = {str(k): p for k, p in enumerate(COUNT_PRIOR)}
        return Result(
            (), flat, budget, None, place, (), (), "cannot tell", text,
            ("keep readings at more stations",), 1.0, stations, count,
        )  # fmt: skip

    def _report(self, answer: Answer, with_coverage: bool, with_guidance: bool) -> Result:
        problem, settings = answer.model.problem, self.settings
        findings = tuple(make_finding(problem, leak, answer) for leak in answer.leaks)
        counts = count_probabilities(answer, settings.detection_threshold)
        budget = make_budget(problem, answer, counts)
        cover: Coverage | None = None
        if with_coverage:
            limits = upper_limits(answer.model, answer.solved)
            cover = summarise(answer.model, limits, budget.fittings_A + budget.findings_A)
            budget = msgspec.structs.replace(budget, text=f"{budget.text}; {cover.hidden_text}")
        best = answer.best
        places = self._next(answer) if with_guidance else ()
        place = places[0] if places else None
        suspects = tuple(
            SuspectReading(int(number), answer.obs.names[s], why)
            for s, why in answer.suspects
            for number in answer.obs.number[s]
            if number >= 0
        )
        posterior: tuple[PosteriorCell, ...] = ()
        if best is not None:
            order = np.argsort(-best.probability)[:400]
            order = order[best.probability[order] > 1e-5]
            posterior = tuple(
                PosteriorCell(rounded(problem.grid.fine.centre_m[k]), float(best.probability[k])) for k in order
            )
        verdict, text, advice = put_into_words(answer, findings, cover, place)
        gain = float(answer.solved.current_mA.sum(1).mean() / problem.injected_now_mA) if answer.known else 1.0
        return Result(
            findings, counts, budget, cover, place, suspects, posterior, verdict, text, advice, gain,
            answer.obs.stations, len(self.readings),
            {"log_evidence": answer.log_evidence[0] if answer.log_evidence else 0.0}, places[1:],
            cover_next(answer),
        )  # fmt: skip

    def _next(self, answer: Answer) -> tuple[Station, ...]:
        taken = list(answer.obs.centre_m)
        target = guide.target_of(answer)
        if target is None:
            return (first_place(self.pool, self.places.centre_m, taken),)
        belief = guide.belief_of(answer, target)
        # The head will be known at the next place as well as it was at the newest.
        known = answer.obs
        priors = replace(self.problem.priors, turn=known.turn_sigma[-1, 0], place=known.place_sigma[-1])
        return guide.next_stations(
            self.pool, self.places, belief, self.problem.resistivity, priors, taken,
            axes=3 if answer.obs.ends_m.shape[1] >= 3 else 2, rigid=self.settings.head != "single",
        )  # fmt: skip


def _near(place: FloatArray, places: Sequence[FloatArray]) -> bool:
    return any(float(np.linalg.norm(place - one)) <= AGREE_M for one in places)


def locate(
    pool: Pool,
    readings: Sequence[KeptReading],
    settings: LocateSettings | None = None,
    field: Field | None = None,
    *,
    coverage: bool = True,
    guidance: bool = True,
) -> Result:
    """All readings at once. InputError with one sentence on what cannot be used."""
    check.check_pool(pool)
    for reading in readings:
        check.check_reading(pool, reading)
    check.check_copies(readings)
    survey = Survey(pool.read_with(r.source_id for r in readings), settings, field)
    for reading in readings:
        add_reading(survey.problem, survey._stations, reading, survey._lead_fields)
        survey.readings.append(reading)
    return survey.result(coverage=coverage, guidance=guidance)
