"""How many leaks, and which readings fit nothing: the search with its decisions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from earthward.inversion import tails
from earthward.inversion.fit import Fit, fit, solve_about, with_state
from earthward.inversion.lead import FloatArray
from earthward.inversion.observations import LeadFields, Observations
from earthward.inversion.predict import Model, State, make_model, predict
from earthward.inversion.prepare import LEAK_SIGMA_M, Problem, Sink, leak_sink
from earthward.inversion.regions import Leak, make_leak
from earthward.inversion.stages import fit_without, search_one

#: Prior probability of 0, 1, 2 and 3 leaks in a pool that a leak technician was called to.
COUNT_PRIOR = (0.40, 0.40, 0.15, 0.05)
#: A station is named suspect when its misfit has a smaller probability than this, places and turns worse than stated
#: already allowed for: in an honest survey of 24 stations that happens once in a hundred.
SUSPECT_P = 5e-4
#: One with a smaller probability than this is left out if the rest then makes so much more sense that "noted wrongly",
#: which happens to one station in fifty, explains the whole better.
DOUBT_P = 1e-3
NOTED_WRONGLY_P = 0.02
#: Log evidence that the choice of a place costs each leak in such a comparison.
PLACE_COST = 5.0
#: An answer with a smaller probability of its misfit is looked for a second time, more thoroughly.
POOR_P = 1e-3
#: Nothing is called found when all misfits together have a smaller probability than this.
MISFIT_P = 1e-4
#: A second and third leak must earn this much more log evidence than the first, to be as probable in the end: they are
#: rarer (`COUNT_PRIOR`). Beside all that were there, no sink had more than 1.8 in 618 pools of nine worlds.
SECOND_EXTRA = 1.0


@dataclass(frozen=True)
class Answer:
    """Everything the search settled, before it is put into words. model: with all sinks that are known by now."""

    model: Model
    leaks: tuple[Leak, ...]
    doubtful: Leak | None
    """The best place for one more sink, below the detection threshold."""
    log_evidence: tuple[float, ...]
    """Log evidence gained by the first, second ... sink, as far as tried."""
    solved: Fit
    suspects: tuple[tuple[int, str], ...]
    may_be_found: bool = True
    """False where the answer only goes on from one that had not found it (`update.updated`), where the one before, with
    fewer stations, said another place, or where it is one of two readings of a dye test (`no_dye`)."""

    @property
    def obs(self) -> Observations:
        return self.model.obs

    @property
    def known(self) -> tuple[Sink, ...]:
        return self.model.known

    @property
    def best(self) -> Leak | None:
        return self.leaks[0] if self.leaks else self.doubtful

    @property
    def fits(self) -> bool:
        """Do the sinks, with errors as large as stated, explain the readings? If not, the place may be any."""
        return self.chance > MISFIT_P

    @property
    def chance(self) -> float:
        """Probability of a misfit as large as this one, of hands of which some are worse than stated. By a plain
        chi-square eight honest surveys of such hands had 0.1 in the median and one 0.0016; so 0.6 and 0.1."""
        misfit = [float(self.solved.station_chi2.sum())]
        misfit += [float(one.search.candidates.chi2[one.search.best]) for one in self.leaks[-1:]]
        return tails.chance(self.model, max(misfit))


def count_probabilities(answer: Answer, detection_threshold: float) -> dict[str, float]:
    """P(0), P(1), ... leaks from the evidence; what was not tried is taken as Occam's share of the one before."""
    logs = [0.0]
    for k in range(3):
        step = answer.log_evidence[k] if k < len(answer.log_evidence) else -2.0
        if k > 0:
            step -= SECOND_EXTRA
        logs.append(logs[-1] + float(np.clip(step, -30, 60)))
    raw = np.array(logs) + np.log(COUNT_PRIOR)
    p = np.exp(raw - raw.max())
    p /= p.sum()
    return {str(k): float(v) for k, v in enumerate(p)}


def solve(problem: Problem, obs: Observations, leads: LeadFields) -> Answer:
    """Search, name stations that fit nothing, search again without them."""
    suspects: list[int] = []
    allowed = max(1, obs.stations // 5)
    answer = _solve_once(problem, obs, leads)
    if answer.chance < POOR_P:
        # Not explained: perhaps it cannot be, perhaps the right place was dropped before its refit had settled.
        again = _solve_once(problem, obs, leads, thorough=True)
        if again.solved.log_evidence > answer.solved.log_evidence:
            answer = again
    while len(suspects) < allowed:
        bad = _worst_station(answer, DOUBT_P)
        if bad is None:
            break
        sure = _worst_station(answer) is not None
        # The worst of all may be an honest one that the false one drags along: the first time try others as well.
        tries = list(dict.fromkeys([bad, *_other_suspects(answer)])) if sure and not suspects else [bad]
        answers = [_solve_once(problem, _left_out(obs, k), leads) for k in tries]
        best = max(range(len(tries)), key=lambda k: answers[k].solved.log_evidence)
        if not sure and _evidence(answers[best]) + _noted_wrongly(obs, tries[best]) < _evidence(answer):
            break
        suspects.append(tries[best])
        answer, obs = answers[best], _left_out(obs, tries[best])
    if suspects:
        answer, suspects = _readmit(problem, obs, leads, answer, suspects)
    return replace(answer, suspects=tuple((k, _why(answer, k)) for k in suspects))


# ---- stations that fit nothing ------------------------------------------------------------------------------


def _left_out(obs: Observations, station: int) -> Observations:
    use = obs.use.copy()
    use[station] = False
    return replace(obs, use=use)


def _other_suspects(answer: Answer, most: int = 4) -> list[int]:
    """Stations without which some place would explain the rest best."""
    if answer.best is None:
        return []
    misfit = answer.best.search.leave_one_out
    return [int(k) for k in np.argsort(misfit)[:most] if np.isfinite(misfit[k])]


def _readmit(
    problem: Problem, obs: Observations, leads: LeadFields, answer: Answer, suspects: list[int]
) -> tuple[Answer, list[int]]:
    """A station may have been suspected while a leak was still missing from the model: take back in those that fit all
    sinks as they are now known, if then nothing misfits."""
    use = obs.use.copy()
    for station in suspects:
        use[station] = obs.number[station] >= 0
    every = replace(obs, use=use)
    solved = fit(replace(answer.model, obs=every), answer.solved.state)
    guilty = [station for station in suspects if _chance(every, solved)[station] <= SUSPECT_P]
    if len(guilty) == len(suspects):
        return answer, suspects
    for station in guilty:
        use[station] = False
    again = _solve_once(problem, replace(obs, use=use), leads)
    return (again, guilty) if _worst_station(again) is None else (answer, suspects)


def _chance(obs: Observations, solved: Fit) -> FloatArray:
    """Probability (S,) of a misfit as large as each station's, by a plain chi-square: what poses worse than stated
    cost counts as misfit here. Allowed for as in `tails.chance`, of ten stations noted elsewhere one was named, not
    three, and none of 192 honest ones of heavy-tailed hands came near being named either way."""
    freedom = obs.use.sum(1)
    p = chdtrc(np.maximum(freedom, 1), solved.station_chi2)
    return np.asarray(np.where(freedom > 0, p, 1.0))


def _evidence(answer: Answer) -> float:
    return answer.solved.log_evidence - PLACE_COST * len(answer.leaks)


def _noted_wrongly(obs: Observations, station: int) -> float:
    """Log probability of a station's readings if it may have been read anywhere, that being so included."""
    square = obs.value_uV[obs.use] ** 2
    broad, own = float(square.mean()), obs.value_uV[station][obs.use[station]] ** 2
    return float(np.log(NOTED_WRONGLY_P) - 0.5 * (np.log(broad) + own / broad).sum())


def _worst_station(answer: Answer, chance: float = SUSPECT_P) -> int | None:
    """The station whose readings fit worst, if they fit too badly to be chance."""
    misfit = answer.solved.station_chi2
    p = _chance(answer.obs, answer.solved)
    k = int(np.argmax(np.where(p <= max(float(p.min()), 1e-300), misfit, -1.0)))
    return k if p[k] <= chance else None


def _why(answer: Answer, station: int) -> str:
    """The likely mistake behind a suspect station, from what the other stations' answer expects to be read there."""
    obs = answer.obs
    every = replace(answer.model, obs=replace(obs, use=obs.number >= 0))
    state = answer.solved.state.copy()
    state.place_m[:, station], state.turn[:, station] = 0.0, 0.0
    use = every.obs.use[station]
    current = state.current_mA[0][obs.source[station]]
    expected = (predict(every, state).column[0, station] * current).sum(-1)[use]
    value = obs.value_uV[station][use]
    ratio = float(np.median(np.abs(value)) / max(float(np.median(np.abs(expected))), 1e-3))
    if ratio > 100:
        return f"about {ratio:.0f} times what is expected there: perhaps millivolts or microvolts entered as volts"
    if ratio < 0.01:
        return "far smaller than is expected there: perhaps volts entered as millivolts, or out of the water"
    if float(value @ expected) < -0.8 * float(np.linalg.norm(value) * np.linalg.norm(expected)):
        return "opposite to what is expected there: perhaps taken with front and back exchanged"
    return "fits no position near the one noted: perhaps taken at another station or with front and back exchanged"


# ---- one leak after the other -------------------------------------------------------------------------------


def _solve_once(problem: Problem, obs: Observations, leads: LeadFields, thorough: bool = False) -> Answer:
    settings = problem.settings
    model = make_model(problem, obs, leads, problem.fittings)
    base = fit_without(model, None, None)
    leaks: list[Leak] = []
    gains: list[float] = []
    doubtful: Leak | None = None
    solved = base
    turns = 0
    while len(leaks) < settings.max_leaks and turns < settings.max_leaks + 2:
        turns += 1
        found = search_one(
            model, base, forbidden_m=[one.position_m for one in leaks], effort=1 if leaks else 2, thorough=thorough
        )
        base = fit_without(model, found, base)
        if not leaks:
            solved = base
        gain = found.evidence - base.log_evidence
        gains.append(gain)
        leak = make_leak(problem, found, gain)
        if gain < settings.detection_threshold + (SECOND_EXTRA if leaks else 0.0):
            doubtful = leak
            break
        leaks.append(leak)
        model, solved = _joint(model, leaks, found.candidates.state.pick([found.best]))
        if len(leaks) > 1:
            leaks, model, solved = _refine_jointly(model, leaks, solved)
            leaks, model, solved = _drop_superfluous(model, leaks, solved)
            if len(leaks) < len(gains):
                gains = [one.log_evidence for one in leaks]
        base = solved
    return Answer(model, tuple(leaks), doubtful, tuple(gains), solved, ())


def _as_sink(problem: Problem, leak: Leak) -> Sink:
    return leak_sink(problem, leak.position_m, leak.cell, max(LEAK_SIGMA_M, 0.6 * leak.radius_m))


def _with_leaks(model: Model, leaks: list[Leak]) -> Model:
    problem = model.problem
    known = (*problem.fittings, *[_as_sink(problem, one) for one in leaks])
    return make_model(problem, model.obs, model.leads, known)


def _joint(model: Model, leaks: list[Leak], state: State) -> tuple[Model, Fit]:
    """All sinks together, from a state whose last leak now has its own best place as origin."""
    model = _with_leaks(model, leaks)
    start = state.copy()
    start.offset_m[:, -1] = 0.0
    return model, fit(model, start)


def _refine_jointly(model: Model, leaks: list[Leak], joint: Fit) -> tuple[list[Leak], Model, Fit]:
    """Look again for each leak with the others free to move a little: the earlier ones anywhere, because alone they
    had to stand for all; then each once more around its place."""
    problem = model.problem
    first = len(problem.fittings)
    order = [(k, False) for k in range(len(leaks) - 1)] + [(k, True) for k in reversed(range(len(leaks)))]
    for k, local in order:
        others = [leak for j, leak in enumerate(leaks) if j != k]
        without = _with_leaks(model, others)
        state = joint.state.sinks([j for j in range(first + len(leaks)) if j != first + k])
        base = with_state(solve_about(without, state), state)
        sink = _as_sink(problem, leaks[k])
        place = sink.position_m + joint.state.offset_m[0, first + k] @ sink.tangent
        found = search_one(
            without,
            base,
            forbidden_m=[o.position_m for o in others],
            near=(place, float(joint.current_mA[:, first + k].mean())) if local else None,
            effort=1,
        )
        leaks[k] = make_leak(problem, found, found.evidence - fit_without(without, found, base).log_evidence)
        # Put the moved leak back at its place among the sinks; its own best place is the new origin.
        back = list(range(first + len(leaks) - 1))
        back.insert(first + k, first + len(leaks) - 1)
        start = found.candidates.state.pick([found.best]).sinks(back).copy()
        start.offset_m[:, first + k] = 0.0
        model = _with_leaks(model, leaks)
        joint = fit(model, start)
    return leaks, model, joint


def _drop_superfluous(model: Model, leaks: list[Leak], joint: Fit) -> tuple[list[Leak], Model, Fit]:
    """Without the leaks that stood in for others found since: beside those they no longer earn their place."""
    needed = model.problem.settings.detection_threshold + SECOND_EXTRA
    kept = [k for k, one in enumerate(leaks) if one.log_evidence >= needed]
    if len(kept) == len(leaks):
        return leaks, model, joint
    if not kept:
        kept = [int(np.argmax([one.log_evidence for one in leaks]))]
    first = len(model.problem.fittings)
    index = [*range(first), *[first + k for k in kept]]
    model = make_model(model.problem, model.obs, model.leads, [model.known[j] for j in index])
    return [leaks[k] for k in kept], model, fit(model, joint.state.sinks(index))
