"""The exported unified data file read by pyGIMLi itself, and its forward response on a half-space.

Development only: pyGIMLi is heavy and not among the test packages; without it these tests are skipped (the grammar test
in tests/unit/test_report_export.py always runs). Seen passing with pyGIMLi 1.6.1.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from tests.support.points import point

from earthward.record.place import Placement
from earthward.record.reading import KeptReading
from earthward.report.unified import to_unified
from earthward.survey.contents import load
from earthward.survey.store import SurveyStore

pytest.importorskip("pygimli")

RHO_OHM_M = 5.0
CURRENT_A = 0.01
RASTER_M = 0.15


def half_space_potential_V(point: np.ndarray, source: np.ndarray) -> float:
    """Buried point source under an insulating surface: rho I / 4 pi (1/r + 1/r'), r' to the mirror image."""
    mirror = source * np.array([1.0, 1.0, -1.0])
    r, rr = np.linalg.norm(point - source), np.linalg.norm(point - mirror)
    return float(RHO_OHM_M * CURRENT_A / (4 * math.pi) * (1 / r + 1 / rr))


def half_space_file(folder: Path) -> Path:
    """A survey of a very large pool whose readings are those of a half-space, exported."""
    store = SurveyStore.create(folder / "h.survey", name="half-space", pool_toml="", emulated=True)
    source = np.array([0.0, 0.0, 0.6])
    store.put_source(Placement(source_id=0, position_m=(0.0, 0.0, 0.6), current_A=CURRENT_A))
    rng = np.random.default_rng(4)
    placed = 0
    while placed < 12:
        # On a raster, so that a plain grid of cells can have a node at each electrode.
        centre = RASTER_M * np.array([*rng.integers(-11, 12, 2), rng.integers(2, 9)])
        if not 0.9 < np.linalg.norm(centre - source) < 1.8 or abs(centre[0]) < 0.1 or abs(centre[2] - 0.6) < 0.1:
            continue  # a pair across the source's plane of symmetry reads zero, which pyGIMLi throws away
        i, placed = placed, placed + 1
        half = RASTER_M * (np.array([1.0, 0.0, 0.0]) if i % 2 else np.array([0.0, 0.0, 1.0]))
        front, back = centre + half, centre - half
        store.keep(
            KeptReading(
                front_m=point(front), back_m=point(back), station=f"S{i}",
                value_V=half_space_potential_V(back, source) - half_space_potential_V(front, source), sigma_V=1e-7,
            )
        )  # fmt: skip
    record = load(store)
    store.close()
    path = folder / "half-space.ohm"
    path.write_text(to_unified(record))
    return path


def test_geometric_factors_give_back_the_resistivity(tmp_path: Path) -> None:
    import pygimli
    from pygimli.physics import ert

    data = pygimli.DataContainerERT(str(half_space_file(tmp_path)))
    assert data.size() == 12
    k = np.array(ert.createGeometricFactors(data, numerical=False))
    apparent = k * np.array(data["r"])
    assert np.allclose(apparent, RHO_OHM_M, rtol=1e-5)
    assert np.allclose(np.array(data["u"]) / np.array(data["i"]), np.array(data["r"]), rtol=1e-6)


@pytest.mark.slow
def test_numerical_forward_response_agrees(tmp_path: Path) -> None:
    import pygimli
    from pygimli.physics import ert

    data = pygimli.DataContainerERT(str(half_space_file(tmp_path)))
    core = RASTER_M * np.arange(-14, 15)
    pad = core[-1] + np.cumsum(RASTER_M * 1.45 ** np.arange(1, 12))
    lateral = np.concatenate([-pad[::-1], core, pad])
    deep = RASTER_M * np.arange(0, 13)
    depth = np.concatenate([deep, deep[-1] + np.cumsum(RASTER_M * 1.45 ** np.arange(1, 12))])
    mesh = pygimli.createGrid(x=lateral, y=lateral, z=-depth[::-1])
    for boundary in mesh.boundaries():
        if boundary.outside():
            top = abs(boundary.center()[2]) < 1e-9
            boundary.setMarker(pygimli.core.MARKER_BOUND_HOMOGEN_NEUMANN if top else pygimli.core.MARKER_BOUND_MIXED)
    simulated = ert.simulate(mesh, scheme=data, res=RHO_OHM_M, sr=False, calcOnly=True, verbose=False)
    got, want = np.array(simulated["u"]), np.array(data["r"])
    error = np.abs(got - want).max() / np.abs(want).max()
    print(f"largest difference {100 * error:.2f} % of the largest reading")
    assert error < 0.05
