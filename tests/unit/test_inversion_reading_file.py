"""The readings file and the sentences that bad readings get."""

from __future__ import annotations

import pytest

from earthward.errors import InputError
from earthward.inversion.reading_file import parse_readings

HEAD = "front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V,source_id,station,note\n"


def test_rows_count_from_one_and_station_is_optional() -> None:
    rows = "1,1,0.5,1.3,1,0.5,1e-5,1e-6,1,a,by the steps\n# a remark\n2,1,.5,2.3,1,.5,1e-5,1e-6,,,\n"
    one, two = parse_readings(HEAD + rows)
    assert (one.row, one.source_id, one.station, one.note) == (1, 1, "a", "by the steps")
    assert (two.row, two.source_id, two.station) == (2, 0, "")
    assert two.back_m == (2.3, 1.0, 0.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "column front_x_m is missing"),
        (HEAD, "no reading"),
        (HEAD + "1,1,0.5,1.3,1,x,1e-5,1e-6\n", "row 1: back_z_m"),
        (HEAD + "1,1,0.5,1.3,1,0.5,1e-5\n", "row 1: sigma_V"),
        (HEAD + "1,1,0.5,1.3,1,0.5,1e-5,1e-6,left\n", "source_id"),
    ],
)
def test_bad_files_get_one_sentence(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_readings(text, "r.csv")
