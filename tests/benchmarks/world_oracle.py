"""What a search could earn for each of two leaks at best: told where the other one is, beginning at the truth.

    python tests/benchmarks/world_oracle.py --pools 40 [--seed 780000] [--world "two leaks"]

Own check of what the search leaves lying. For each leak of a pool the other one is put at its true place into the
model as a known sink; the model with both is fitted from the true currents, and the leak's place is searched from
there, within reach of where it is. Its log evidence is what is gained over the best fit without it. The oracle is told
nothing else; its model and priors are the search's own: poses, electrodes and fittings are as unknown as ever.

Prints a line a pool, then in how many pools every leak earns what the search asks before it declares one (a nat more of
the second), and in how many the search itself, which is told nothing, declares all within half a metre.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.bench_worlds import SEED
from tests.benchmarks.world_list import WORLDS
from tests.benchmarks.worlds import Drawn, draw

from earthward.inversion.decision import SECOND_EXTRA
from earthward.inversion.fit import fit, with_state
from earthward.inversion.liner import on_liner
from earthward.inversion.locate import Survey
from earthward.inversion.observations import pack
from earthward.inversion.predict import make_model
from earthward.inversion.prepare import LEAK_SIGMA_M, leak_sink
from earthward.inversion.stages import fit_without, search_one
from earthward.inversion.types import LocateSettings

NEAR_m = 0.5


def oracle(drawn: Drawn, survey: Survey) -> list[float]:
    """Log evidence of each leak."""
    problem, truth = survey.problem, drawn.truth
    obs, leads = pack(problem, list(survey._stations.values()))
    sinks = []
    for leak in truth.leaks:
        place, cell, _ = on_liner(survey.pool, problem.grid.fine, leak.middle_m.tolist())
        sinks.append(leak_sink(problem, place, cell, LEAK_SIGMA_M))
    earned = []
    for k, leak in enumerate(truth.leaks):
        others = [j for j in range(len(sinks)) if j != k]
        model = make_model(problem, obs, leads, (*problem.fittings, *[sinks[j] for j in others]))
        whole = make_model(problem, obs, leads, (*model.known, sinks[k]))
        start = whole.start()
        true_A = [s.current_A for s in (*truth.fittings, *[truth.leaks[j] for j in others], leak)]
        start.current_mA[0] = _as_noted(np.array(true_A).T, problem.priors.injected_mA)
        state = fit(whole, start, 8).state.sinks(slice(0, len(model.known)))
        base = fit_without(model, None, None)
        base = max(base, fit(model, state, 8), key=lambda one: one.log_evidence)
        near = (sinks[k].position_m, float(start.current_mA[0, :, -1].mean()))
        found = search_one(model, with_state(base, state), near=near, effort=1)
        earned.append(found.evidence - fit_without(model, found, base).log_evidence)
    return earned


def _as_noted(true_A: NDArray[np.float64], injected_mA: NDArray[np.float64]) -> NDArray[np.float64]:
    """True currents (placements, sinks) in mA, adding up to what was noted."""
    share = true_A / true_A.sum(axis=1, keepdims=True)
    return np.asarray(share * injected_mA[:, None])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=12)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--world", default="two leaks", choices=[w for w in WORLDS if WORLDS[w].leaks])
    args = parser.parse_args()
    asked = LocateSettings().detection_threshold
    could, did, did_beyond = [], [], []
    for seed in range(args.seed, args.seed + args.pools):
        drawn = draw(WORLDS[args.world], seed)
        survey = Survey(drawn.pool.read_with(r.source_id for r in drawn.readings))
        for reading in drawn.readings:
            survey.add(reading)
        earned = sorted(oracle(drawn, survey), reverse=True)
        findings = [np.array(f.position_m) for f in survey.result(coverage=False, guidance=False).findings]
        away = [
            min((float(np.linalg.norm(f - leak.middle_m)) for f in findings), default=99.0)
            for leak in drawn.truth.leaks
        ]
        could.append(all(e >= asked + SECOND_EXTRA * (k > 0) for k, e in enumerate(earned)))
        did.append(max(away) <= NEAR_m)
        did_beyond.append(did[-1] and not could[-1])
        print(f"{seed}: oracle {', '.join(f'{e:.1f}' for e in earned)} nats; told within {max(away):.2f} m", flush=True)
    print(
        f"every leak could be declared in {sum(could)} of {len(could)} pools; the search told all within {NEAR_m} m in"
        f" {sum(did)}, of which {sum(did_beyond)} where the oracle earns too little"
    )


if __name__ == "__main__":
    main()
