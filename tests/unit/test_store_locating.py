"""From the survey file to the search and back into the file."""

from __future__ import annotations

from pathlib import Path

from earthward.pool.pool_file import parse_pool
from earthward.service.locating import as_located, locate_survey
from earthward.service.store import KeptReading, SurveyStore

POOL = """
[pool]
name = "small"
shape = "rectangle"
length_m = 6.0
width_m = 3.0
[floor]
kind = "flat"
depth_m = 1.2
[water]
conductivity_S_per_m = 0.2
[[source]]
id = 0
position_m = [1.0, 1.0, 0.5]
current_A = 0.008
"""


def test_result_is_kept_and_withdrawn_or_other_readings_do_not_count(tmp_path: Path) -> None:
    def reading(station: str, **more: object) -> KeptReading:
        return KeptReading(
            front_m=(3.0, 1.0, 0.5), back_m=(3.3, 1.0, 0.5), value_V=1e-4, sigma_V=1e-6, station=station, **more
        )  # type: ignore[arg-type]

    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=POOL, emulated=True) as store:
        store.keep(reading("S1"))
        store.withdraw(store.keep(reading("S2")), "knocked")
        store.keep(reading("T", purpose="test leak"))
        result = locate_survey(store, parse_pool(POOL))
        assert result.verdict == "cannot tell" and result.readings == 1
        assert store.location() == result.to_json()
    with SurveyStore.open(tmp_path / "s.survey", read_only=True) as store:
        before = store.location()
        locate_survey(store, parse_pool(POOL))
        assert store.location() == before


def test_row_and_station_go_along() -> None:
    kept = KeptReading(
        front_m=(1.0, 2.0, 0.5), back_m=(1.3, 2.0, 0.5), value_V=1e-4, sigma_V=1e-6, station="S7", source_id=1, row=12
    )
    located = as_located(kept)
    assert (located.row, located.station, located.source_id) == (12, "S7", 1)
    assert located.front_m == kept.front_m and located.value_V == kept.value_V
