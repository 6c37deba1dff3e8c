"""A browser without window, and pages of the invented study for it to open."""

import dataclasses
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from by_path import load

from models.schemas import Study
from reports import render, write_cards

HERE = Path(__file__).parent


_made_up = load(HERE.parent / "reports" / "made_up_study.py")
_devtools = load(HERE / "devtools.py")
EVIL = "</script><img src=x onerror=alert(1)> <b>bold</b> & \"a\" 'b' {{ 7 * 7 }}"
ODD_LABEL = "50% & <i>ÄÖ</i> 'x'/.."


@pytest.fixture(scope="session")
def study() -> Study:
    """Sixteen cars with every signal: few, since each chart drawn takes its time."""
    return _made_up.make_study(cars=16, seed=7)


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not found:
        pytest.skip("no chromium on this machine: the page was not opened in a browser")
    with _devtools.Browser(found, tmp_path_factory.mktemp("profile")) as running:
        yield running


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    """An empty page, 1,280 pixels wide."""
    opened = browser.tab()
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory, study: Study) -> Callable[[str], str]:
    """Address of the page of a kind of study, made when first asked for."""
    folder = tmp_path_factory.mktemp("pages")
    kinds: dict[str, Callable[[], Study]] = {
        "usual": lambda: study,
        "odd": lambda: _odd(study),
        "one car": lambda: _only(study, study.cars.head(1)),
        "no signal": lambda: _only(study, study.cars.filter(pl.col("signal") == "clear")),
        "all undecided": lambda: _undecided(study),
        "nothing known": _made_up.small_study,
        "500 cars": lambda: _made_up.make_study(cars=500, seed=8),
    }

    def address(kind: str) -> str:
        path = folder / f"{kind}.html"
        if not path.exists():
            path.write_text(render(kinds[kind]()), encoding="utf-8")
        return path.as_uri()

    return address


@pytest.fixture(scope="session")
def single(tmp_path_factory: pytest.TempPathFactory, study: Study) -> Path:
    """A card for one car that needs attention."""
    label = study.cars.filter(pl.col("signal") == "action")["label"][0]
    (path,) = write_cards(_only(study, study.cars.filter(pl.col("label") == label)), tmp_path_factory.mktemp("cards"))
    return path


def _only(study: Study, cars: pl.DataFrame) -> Study:
    def own(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.filter(pl.col("label").is_in(cars["label"].implode()))

    return dataclasses.replace(
        study, cars=cars, changes=own(study.changes), curves=own(study.curves), car_logs=own(study.car_logs),
        quality=own(study.quality), next_logs=own(study.next_logs),
    )  # fmt: skip


def _undecided(study: Study) -> Study:
    blank = {"signal": pl.lit("undecided"), "pattern": pl.lit(""), "pump_limit": pl.lit("unknown")}
    return dataclasses.replace(study, cars=study.cars.with_columns(**blank, since=pl.lit(None, pl.Date)))


def _odd(study: Study) -> Study:
    """One car has a label nobody expects, one setup's pump is named in HTML."""
    label, setup = study.cars["label"][0], study.cars["setup"][0]

    def told(frame: pl.DataFrame) -> pl.DataFrame:
        new = {"label": pl.col("label").replace(label, ODD_LABEL)} if "label" in frame.columns else {}
        return frame.with_columns(setup=pl.col("setup").replace(setup, f"four | {EVIL} | small | one"), **new)

    return dataclasses.replace(
        study, cars=told(study.cars), changes=told(study.changes), curves=told(study.curves),
        car_logs=told(study.car_logs), baselines=told(study.baselines), next_logs=told(study.next_logs),
    )  # fmt: skip
