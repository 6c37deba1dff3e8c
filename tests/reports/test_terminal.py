"""A study in the terminal: widths, order, the chart in text."""

import pytest

from ingest.findings import InputError
from models.schemas import Study
from reports.terminal import car_text, signals_text


def test_lines_fit_eighty_columns_and_any_code_page(study: Study) -> None:
    texts = [signals_text(study), *(car_text(study, label) for label in study.cars["label"])]
    assert max(len(line) for text in texts for line in text.splitlines()) <= 80
    assert all(text.isascii() for text in texts)


def test_each_car_has_a_line_with_its_signal(study: Study) -> None:
    lines = signals_text(study).splitlines()
    for label in study.cars["label"]:
        assert sum(line.startswith(label) for line in lines) == 1
    first = next(line for line in lines if line[4:5] == "-")
    assert "runs short" in first


def test_the_columns_are_explained_and_the_next_step_is_named(study: Study) -> None:
    text = " ".join(signals_text(study).split())
    for part in (
        "excess: fuel volume",
        "limit: the pump",
        "unknown: rail pressure",
        "(1), (2):",
        "pumpcensus car LABEL",
    ):
        assert part in text


def test_invented_data_is_said_to_be_invented(study: Study, small_study: Study) -> None:
    assert "invented" in signals_text(study)
    assert "invented" not in signals_text(small_study)


def test_car_is_drawn_right_of_what_peers_need_where_it_is_high(study: Study) -> None:
    high = study.cars.filter(study.cars["pattern"] == "high_all_speeds")["label"][0]
    chart = [line[23:] for line in car_text(study, high).splitlines() if line[:6].strip().isdigit()]
    assert len(chart) == study.curves.filter(study.curves["label"] == high).height
    for line in chart:
        mark = max(line.find("o"), line.find("#"))
        assert mark > line.find("|") > 0


def test_unknown_label_says_where_to_look(study: Study) -> None:
    with pytest.raises(InputError, match=r"no such car.*pumpcensus study"):
        car_text(study, "0000-0000")


def test_study_without_figures_still_has_words(small_study: Study) -> None:
    assert "too little to say" in signals_text(small_study)
    assert "AAAA-0001" in car_text(small_study, "AAAA-0001")


def test_what_to_log_next_stands_in_the_list_and_with_the_car(study: Study) -> None:
    for row in study.next_logs.iter_rows(named=True):
        assert row["label"] in signals_text(study).split("To log next:")[1]
    asked = study.next_logs.filter(study.next_logs["wish"] == "more_logs")["label"][0]
    text = car_text(study, asked)
    assert "To log next:" in text
    assert "of three full-load pulls" in text


def test_logs_that_could_not_be_used_are_told_with_the_car(study: Study) -> None:
    refused = study.quality.filter((study.quality["verdict"] == "refused") & study.quality["label"].is_not_null())
    assert "Logs that could not be used:" in car_text(study, refused["label"][0])
