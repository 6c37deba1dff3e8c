"""Curves over engine speed in plain signs: where each sign stands follows from the scale, worked out by hand here."""

from reports.terminal_chart import BAND, COLUMNS, Series, chart_lines

GRID = 23  # first column of the grid with two figures: 6 + 7 + 7 + 2, and the next


def test_signs_stand_where_the_scale_puts_them() -> None:
    # from 0 to 47 a column is one point
    lines = list(chart_lines([3000, 3250], [Series("car", "o", [0.0, 47.0]), Series("need", "|", [10.0, None])]))
    assert lines[0].split() == ["1/min", "car", "need", "0", "47"]
    assert lines[1][GRID - 1 :] == "o" + " " * 9 + "|"
    assert lines[2][GRID - 1 :] == " " * 47 + "o"


def test_the_first_curve_lies_on_top_and_all_lie_on_the_band() -> None:
    series = [Series("car", "o", [5.0]), Series("need", "|", [5.0]), Series("old", "x", [8.0])]
    (_, line) = chart_lines([3000], series, ([0.0], [47.0]))
    assert line[GRID - 1 :] == BAND * 5 + "o" + BAND * 2 + "x" + BAND * 39


def test_a_curve_may_have_a_sign_for_each_value() -> None:
    lines = list(chart_lines([1, 2], [Series("car", "o#", [1.0, 2.0])]))
    assert "o" in lines[1]
    assert "#" in lines[2]


def test_nothing_known_draws_nothing_and_one_value_is_enough() -> None:
    assert list(chart_lines([3000], [Series("car", "o", [None])])) == []
    assert len(list(chart_lines([3000], [Series("car", "o", [50.0])]))) == 2


def test_it_fits_eighty_columns_and_is_plain() -> None:
    series = [Series("before", "x", [12.5, 99.9]), Series("after", "o", [99.9, 1.0]), Series("need", "|", [50.0, 60.0])]
    lines = list(chart_lines([2500, 6500], series, ([0.0, 0.0], [100.0, 100.0])))
    assert max(map(len, lines)) <= 6 + 7 + 7 + 2 + COLUMNS <= 80
    assert all(line.isascii() for line in lines)
