"""What every chart owes its reader: axis titles with units, a sentence, a table, and a look that is shared."""

import json
from typing import Any

import polars as pl
import pytest

from models.schemas import Study
from reports import wording
from reports.as_estimated import as_estimated
from reports.cards import named
from reports.charts import bands, car_curve, caterpillar, funnel, trend
from reports.charts.chart import Chart, look
from reports.charts.declared import LOOKS, looks

WORDS = wording.signal_words()


def _charts(study: Study) -> dict[str, Chart]:
    cars = named(study.cars)
    setup, label = cars["setup"][0], cars["label"][0]
    flagged = study.curves.join(cars.select("label", "name", "signal"), on="label").filter(pl.col("setup") == setup)
    whole = funnel.draw(as_estimated(cars, study.summary["model"]["tau_pct"]), WORDS)
    assert whole is not None
    return {
        "caterpillar": caterpillar.draw(cars, WORDS)[0],
        "funnel": whole,
        "bands": bands.draw(study.baselines.filter(pl.col("setup") == setup), flagged, WORDS),
        "car_curve": car_curve.draw(study.curves.filter(pl.col("label") == label)),
        "trend": trend.draw(study.car_logs.filter(pl.col("label") == label)),
    }


KINDS = ["caterpillar", "funnel", "bands", "car_curve", "trend"]


@pytest.fixture(scope="module")
def charts(study: Study) -> dict[str, Chart]:
    return _charts(study)


def _titles(spec: Any) -> list[str]:
    if isinstance(spec, list):
        return [title for part in spec for title in _titles(part)]
    if not isinstance(spec, dict):
        return []
    own = [" ".join(t) if isinstance(t, list) else t for axis in "xy"
           if (t := (spec.get("encoding") or {}).get(axis, {}).get("title"))]  # fmt: skip
    return own + _titles(spec.get("layer", []))


@pytest.mark.parametrize("kind", KINDS)
def test_axes_have_titles_with_units(charts: dict[str, Chart], kind: str) -> None:
    titles = _titles(look(kind))
    assert len(titles) >= (1 if kind == "caterpillar" else 2)  # the caterpillar's other axis holds labels
    for title in titles:
        assert "(" in title, title


@pytest.mark.parametrize("kind", KINDS)
def test_chart_has_one_sentence_and_a_table(charts: dict[str, Chart], kind: str) -> None:
    chart = charts[kind]
    assert chart.alternative.endswith(".")
    assert len(chart.alternative) > 40
    assert chart.table.height == chart.data["rows"].height > 0
    assert chart.table.columns == list(chart.headings.values())


def test_looks_are_those_declared() -> None:
    assert LOOKS.read_text(encoding="utf-8") == looks(), "python -m reports.charts.declared writes them anew"


@pytest.mark.parametrize("kind", KINDS)
def test_look_fits_its_width_and_holds_no_numbers(charts: dict[str, Chart], kind: str) -> None:
    spec = look(kind)
    assert spec["width"] == "container"
    assert "datasets" not in spec
    assert "$schema" not in spec
    assert "http" not in json.dumps(spec)


@pytest.mark.parametrize("kind", KINDS)
def test_columns_are_plain_json_in_the_order_of_the_fields(charts: dict[str, Chart], kind: str) -> None:
    chart = charts[kind]
    columns = json.loads(json.dumps(chart.columns(), allow_nan=False))
    for name, fields in chart.fields().items():
        assert len(columns[name]) == len(fields)
        assert {len(column) for column in columns[name]} == {chart.data[name].height}


def test_caterpillar_gives_every_car_a_row_on_one_scale(large_study: Study) -> None:
    charts = caterpillar.draw(named(large_study.cars), WORDS)
    known = large_study.cars.drop_nulls("excess_pct").height
    assert sum(chart.data["rows"].height for chart in charts) == known
    assert max(chart.data["rows"].height for chart in charts) <= caterpillar.ROWS_A_CHART
    assert caterpillar.ROW_PX >= 14  # room for text of twelve pixels
    assert len({tuple(chart.data["scale"]["edge"]) for chart in charts}) == 1


def test_svg_shows_every_label_and_says_nothing_to_the_network(charts: dict[str, Chart]) -> None:
    svg = charts["caterpillar"].svg()
    for name in charts["caterpillar"].data["rows"]["name"]:
        assert svg.count(f">{name}<") == 1
    assert svg.replace('xmlns="http://www.w3.org/2000/svg"', "").count("http") == 0


def test_curve_sentence_tells_where_the_car_is_above(study: Study) -> None:
    curve = study.curves.filter(pl.col("label") == study.cars["label"][0])
    high = curve.with_columns(duty_pct=pl.col("peers_high_duty_pct") + 1)
    low = curve.with_columns(duty_pct=pl.col("peers_low_duty_pct"), saturated_share=pl.lit(0.0))
    assert "everywhere above" in car_curve.draw(high).alternative
    assert "nowhere above" in car_curve.draw(low).alternative
    assert "nowhere at its ceiling" in car_curve.draw(low).alternative


def test_curve_sentence_tells_where_the_car_is_below(study: Study) -> None:
    curve = study.curves.filter(pl.col("label") == study.cars["label"][0]).sort("band_rpm")
    low = curve.with_columns(duty_pct=pl.col("peers_low_duty_pct") - 1)
    assert "nowhere above the band of its peers, everywhere below it" in car_curve.draw(low).alternative
    half = pl.when(pl.int_range(pl.len()) < 3).then(pl.col("peers_low_duty_pct") - 1).otherwise("expected_duty_pct")
    partly = car_curve.draw(curve.with_columns(duty_pct=half)).alternative
    assert f"in 3 of {curve.height} bands of engine speed below it" in partly
