"""The water budget's three answers."""

from __future__ import annotations

import pytest

from earthward.water.budget import by_repair, by_size, difference


def test_not_explained_when_even_the_largest_flow_falls_short() -> None:
    budget = by_size((300.0, 400.0), [(20.0, 150.0)])
    assert budget.verdict == "not explained"
    assert budget.unexplained == (150.0, 380.0)
    assert "150 L/day" in budget.text and "plumbing" in budget.text


def test_explained_when_even_the_smallest_flow_suffices() -> None:
    assert by_size((300.0, 400.0), [(250.0, 500.0), (150.0, 300.0)]).verdict == "explained"
    assert by_size((300.0, 400.0), [(350.0, 500.0)], allowance_L_per_day=60.0).verdict == "explained"


def test_undetermined_between() -> None:
    budget = by_size((300.0, 400.0), [(5.0, 900.0)])
    assert budget.verdict == "undetermined"
    assert "soil" in budget.text


def test_nothing_confirmed() -> None:
    assert by_size((100.0, 200.0), []).verdict == "not explained"
    assert by_size((-10.0, 20.0), []).verdict == "undetermined"


def test_by_repair() -> None:
    closed = by_repair((300.0, 400.0), (-20.0, 25.0), allowance_L_per_day=40.0)
    assert closed.verdict == "explained"
    assert closed.explained[0] < 347.5 < closed.explained[1]
    assert by_repair((300.0, 400.0), (100.0, 180.0), 40.0).verdict == "not explained"
    assert by_repair((300.0, 400.0), (-20.0, 90.0), 40.0).verdict == "undetermined"


def test_difference_adds_half_widths_in_quadrature() -> None:
    assert difference((7.0, 13.0), (-4.0, 4.0)) == pytest.approx((5.0, 15.0))
    assert difference((10.0, 10.0), (1.0, 1.0)) == (9.0, 9.0)


def test_upside_down_interval_is_refused() -> None:
    with pytest.raises(ValueError, match="upside down"):
        by_size((2.0, 1.0), [])
