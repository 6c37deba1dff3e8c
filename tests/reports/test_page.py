"""The page: self-contained, escaped, complete, within its size, and made in time."""

import dataclasses
import html
import json
import re
import time
from pathlib import Path

import polars as pl
import pytest

from models.schemas import BASELINES, CARS, CHANGES, Study
from reports import render, wording, write_report

FORBIDDEN = re.compile(r"\b(faulty|defective|safe|safely|unsafe|buy|replace)\b|\bgood for E\d", re.IGNORECASE)


@pytest.fixture(scope="module")
def page(study: Study) -> str:
    return render(study)


def _without_engine(page: str) -> str:
    return re.sub(r'<script type="text/plain" id="engine">.*?</script>', "", page, flags=re.DOTALL)


def _words(page: str) -> str:
    """What readers see: no script, style or markup."""
    text = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", text))


def _numbers(page: str) -> dict[str, dict[str, object]]:
    found = re.search(r'<script type="application/json" id="numbers">(.*?)</script>', page, re.DOTALL)
    assert found
    parsed: dict[str, dict[str, object]] = json.loads(found[1])
    return parsed


def test_nothing_is_asked_of_a_network(page: str) -> None:
    rest = _without_engine(page).replace("http://www.w3.org/2000/svg", "")
    assert re.findall(r"(?:https?:)?//[\w.-]+\.\w+", rest) == []
    assert re.findall(r"""<(?:link|img|iframe|object|embed|source|base)\b|\ssrc=|@import|url\(""", rest) == []


def test_browser_is_told_to_load_nothing(page: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert policy
    assert "default-src 'none'" in policy[1]
    assert "unsafe-eval" not in policy[1]
    assert "http" not in policy[1]


def test_drawing_library_and_each_look_stand_once(page: str) -> None:
    assert page.count('id="engine"') == 1
    assert set(_numbers(page)["looks"]) == {"caterpillar", "funnel", "bands", "car_curve", "trend"}
    assert page.count('"mark":{"type":"area"') <= 4


def test_every_figure_has_numbers_and_a_sentence(page: str) -> None:
    figures = re.findall(r'<figure class="figure" data-chart="([^"]+)">(.*?)</figure>', page, re.DOTALL)
    charts = _numbers(page)["charts"]
    assert {name for name, _ in figures} == set(charts)
    for _, inside in figures:
        assert re.search(r"<figcaption>[^<]{20,}</figcaption>", inside)
        if "<svg" in inside:  # the script adds the table of the others when it draws them
            assert '<details class="numbers">' in inside
            assert "<td" in inside
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_key_charts_are_drawn_without_scripts_too(page: str, study: Study) -> None:
    stills = re.findall(r'data-chart="([^"]+)"><div class="still" role="img" aria-label="[^"]+"><svg', page)
    assert {"cars0", "funnel", "setup0"} <= set(stills)
    flagged = study.cars.filter(pl.col("signal").is_in(["action", "warning"])).height
    assert sum(name.startswith("curve") for name in stills) == flagged


def test_sections_stand_in_the_order_readers_need(page: str) -> None:
    assert re.findall(r'<section id="(\w+)"', page) == [
        "attention", "changes", "cars", "funnel", "baselines", "trends",
        "next", "trust", "quality", "method", "cards", "cautions",
    ]  # fmt: skip


def test_every_card_can_be_found_by_its_label(page: str, study: Study) -> None:
    for label in study.cars["label"]:
        assert page.count(f'<details class="card" id="{label}">') == 1


def test_page_never_condemns_promises_or_sells(page: str) -> None:
    assert FORBIDDEN.findall(_words(page)) == []


def test_page_says_every_hazard_and_defers_to_law_and_technicians(page: str) -> None:
    words = " ".join(_words(page).split())
    for caution in wording.cautions():
        assert caution.text in words


def test_flagged_car_comes_with_all_that_must_be_said(page: str, study: Study) -> None:
    words = _words(page[page.index('<section id="attention"') : page.index('<section id="changes"')])
    for row in study.cars.filter(pl.col("signal") == "action").iter_rows(named=True):
        pattern = wording.pattern(row["pattern"])
        assert row["label"] in words
        assert row["since"].isoformat() in words
        assert all(text in words for text in (pattern.seen, *pattern.causes, *pattern.first))
        assert all(wording.check(code).step in words for code in wording.codes(row["check_first"]))


def test_invented_cars_are_said_to_be_invented(page: str, study: Study) -> None:
    assert "every car, log, owner and finding on this page is made up" in " ".join(_words(page).split())
    real = dataclasses.replace(study, summary={**study.summary, "demo": False})
    assert "made up" not in _words(render(real))


def test_hostile_names_stay_text(study: Study) -> None:
    evil = "</script><script>alert(1)</script> & \"quoted\" 'x' \u2028 <img src=x onerror=alert(2)>"
    first = study.cars["setup"][0]

    def poison(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.with_columns(pl.col("setup").replace(first, evil))

    bad = dataclasses.replace(
        study, cars=poison(study.cars), baselines=poison(study.baselines), curves=poison(study.curves),
        car_logs=poison(study.car_logs), changes=poison(study.changes),
    )  # fmt: skip
    page = render(bad)
    assert "<script>alert" not in page
    assert "<img" not in _without_engine(page)
    assert page.count("<script") == render(study).count("<script") == 3
    assert evil in json.dumps(_numbers(page), ensure_ascii=False).replace('\\"', '"')


def test_forty_cars_stay_under_two_megabytes(page: str) -> None:
    assert len(page.encode()) < 2_000_000


def test_five_hundred_cars_stay_under_four_megabytes_and_ten_seconds(large_study: Study) -> None:
    render(dataclasses.replace(large_study, cars=large_study.cars.head(3)))  # the drawing library starts once
    began = time.process_time()
    page = render(large_study)
    assert time.process_time() - began < 10
    assert len(page.encode()) < 4_000_000


def test_least_study_still_renders(small_study: Study, tmp_path: Path) -> None:
    page = write_report(small_study, tmp_path / "new" / "folder").read_text(encoding="utf-8")
    assert "too little to say" in _words(page)
    assert "No car needs attention" in _words(page)
    assert "None" not in _words(page)
    assert "nan" not in _words(page).split()


def test_figures_that_are_no_number_are_shown_as_unknown(study: Study) -> None:
    odd = study.cars.with_columns(
        pl.when(pl.int_range(pl.len()) == 3).then(float("nan")).otherwise(pl.col("excess_pct")).alias("excess_pct")
    )
    curves = study.curves.with_columns(excess_pct=pl.lit(float("inf")))
    page = render(dataclasses.replace(study, cars=odd, curves=curves))
    assert "nan" not in _words(page).lower().split()
    assert _numbers(page)["charts"]


def test_same_study_gives_the_same_bytes(study: Study, page: str) -> None:
    assert render(study) == page


def test_csv_files_lie_beside_the_page_with_the_declared_columns(study: Study, tmp_path: Path) -> None:
    assert write_report(study, tmp_path) == tmp_path / "report.html"
    for name, schema in {"cars": CARS, "changes": CHANGES, "baselines": BASELINES}.items():
        frame = pl.read_csv(tmp_path / f"{name}.csv", infer_schema=False)
        assert frame.columns == list(schema)
        assert frame.height == getattr(study, name).height
    assert not list(tmp_path.glob("*.part"))


def test_car_short_of_fuel_without_a_figure_is_listed_without_one(study: Study) -> None:
    short = study.cars.filter(pl.col("pump_limit") == "rail_short").head(1)
    nothing = {name: pl.lit(None, pl.Float64) for name in ("excess_pct", "excess_low_pct", "excess_high_pct")}
    text = _words(render(dataclasses.replace(study, cars=short.with_columns(**nothing))))
    assert "Runs short of fuel" in text
    assert "– % of fuel volume" not in text
