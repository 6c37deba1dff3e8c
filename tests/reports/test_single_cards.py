"""Single cards: complete for their owner, and nothing in them of anybody else."""

import dataclasses
import html
import re
from pathlib import Path

import polars as pl
import pytest

from models.schemas import Study
from reports import wording, write_cards
from reports.single_cards import single_cards

FEW = 6


@pytest.fixture(scope="module")
def few(study: Study) -> Study:
    return dataclasses.replace(study, cars=study.cars.head(FEW))


@pytest.fixture(scope="module")
def written(few: Study, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    paths = write_cards(few, tmp_path_factory.mktemp("cards") / "new" / "folder")
    return {path.stem: path.read_text(encoding="utf-8") for path in paths}


def _words(page: str) -> str:
    text = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def test_each_car_has_a_file_of_its_own(few: Study, written: dict[str, str]) -> None:
    assert sorted(written) == sorted(few.cars["label"])


def test_no_other_label_and_no_figure_of_the_fleet_is_in_a_card(study: Study, written: dict[str, str]) -> None:
    every = {*study.cars["label"], *study.changes["label"]}
    for own, page in written.items():
        assert [label for label in every - {own} if label in page] == []
        assert " of 40" not in page
        assert "setups gave" not in page
    assert "peers of the same setup" in _words(next(iter(written.values())))


def test_other_cars_being_high_too_is_told_to_the_organiser_alone(few: Study) -> None:
    high = dataclasses.replace(few, cars=few.cars.with_columns(check_first=pl.lit("peers_also_high;one_log_only")))
    for single in single_cards(high):
        told = [check.word for spell in single.card.spells for check in spell.checks]
        assert told == ["comparison to confirm", "one log only"]


def test_card_says_all_that_its_owner_must_know(few: Study, written: dict[str, str]) -> None:
    row = few.cars.filter(pl.col("signal") == "action").row(0, named=True)
    words = _words(written[row["label"]])
    pattern = wording.pattern(row["pattern"])
    for text in (row["setup"], "needs attention", pattern.seen, *pattern.causes, *pattern.first, "95 % interval"):
        assert text in words
    for caution in wording.cautions():
        assert caution.text in words
    assert "made up" in words
    assert re.search(r"As measured: .* below 3,667 1/min, .* up to 5,133, .* above\.", words)


def test_card_asks_nothing_of_a_network_and_runs_nothing(written: dict[str, str]) -> None:
    for page in written.values():
        assert "<script" not in page
        rest = page.replace("http://www.w3.org/2000/svg", "")
        assert re.findall(r"(?:https?:)?//[\w.-]+\.\w+", rest) == []
        assert len(page.encode()) < 150_000
        assert page.count("<svg") == 2


def test_refused_logs_of_the_car_alone_are_listed(study: Study) -> None:
    refused = study.quality.filter((pl.col("verdict") == "refused") & pl.col("label").is_not_null())
    for single in single_cards(study):
        own = refused.filter(pl.col("label") == single.card.label).height
        assert single.quality.refused == own


def test_label_cannot_lead_out_of_the_folder(few: Study, tmp_path: Path) -> None:
    first = few.cars["label"][0]
    bad = dataclasses.replace(few, cars=few.cars.head(1).with_columns(pl.col("label").replace(first, "../../<b>x")))
    (path,) = write_cards(bad, tmp_path / "deep" / "cards")
    assert path.parent == tmp_path / "deep" / "cards"
    assert "<b>x" not in path.read_text(encoding="utf-8")
