"""The `headroom` command: what it hands on, how it ends."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

import pumpcensus
from ingest.findings import InputError
from models import study_files
from reports import headroom_text

LABEL = "7K3M-Q2XW"


def run(*words: str | Path) -> Any:
    return CliRunner().invoke(pumpcensus.app, ["headroom", "--store", "s", *(str(word) for word in words)])


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Notes what was asked; `answer` is what comes back."""
    bands = pl.DataFrame({"band_rpm": [3000], "share_pct": [float("nan")]})
    seen = SimpleNamespace(calls=[], answer=SimpleNamespace(told={"why_none": "", "share_pct": 81.0}, bands=bands))

    def stand_in(*words: Any, **options: Any) -> Any:
        seen.calls.append((*words, options))
        return seen.answer

    monkeypatch.setattr(study_files, "headroom_of_store", stand_in)
    monkeypatch.setattr(headroom_text, "headroom_text", lambda _: "in words")
    return seen


def test_the_question_is_handed_on(asked: SimpleNamespace) -> None:
    words = ("--car", "7k3mq2xw", "--ethanol", "40", "--boost", "120", "--reserve", "5", "--quarter", "2026q3")
    result = run(*words)
    assert (result.exit_code, result.stdout) == (0, "in words\n")
    store, ethanol, options = asked.calls[0]
    assert (store, ethanol) == ("s", 40.0)
    told = {"setup": None, "label": LABEL, "boost_kpa": 120.0, "reserve_pct": 5.0, "quarter": "2026Q3"}
    assert told.items() <= options.items()
    run("--setup", "a | b | c | d", "--ethanol", "40")
    assert asked.calls[1][2]["setup"] == "a | b | c | d"
    assert asked.calls[1][2]["reserve_pct"] == 10.0


def test_json_stands_alone_and_has_null_for_no_number(asked: SimpleNamespace) -> None:
    told = json.loads(run("--car", LABEL, "--ethanol", "40", "--json").stdout)
    assert told == {"why_none": "", "share_pct": 81.0, "bands": [{"band_rpm": 3000, "share_pct": None}]}


def test_an_answer_without_a_figure_ends_with_1_and_is_still_printed(asked: SimpleNamespace) -> None:
    asked.answer.told["why_none"] = "rail_short"
    result = run("--car", LABEL, "--ethanol", "40")
    assert (result.exit_code, result.stdout) == (1, "in words\n")


@pytest.mark.parametrize(
    "words",
    [
        ("--ethanol", "40"),
        ("--ethanol", "40", "--car", LABEL, "--setup", "a | b | c | d"),
        ("--car", LABEL),
        ("--car", "nobody", "--ethanol", "40"),
        ("--car", LABEL, "--ethanol", "forty"),
        ("--car", LABEL, "--ethanol", "40", "--quarter", "3"),
    ],
)
@pytest.mark.usefixtures("asked")
def test_a_command_that_was_mistyped_ends_with_2(words: tuple[str, ...]) -> None:
    assert run(*words).exit_code == 2


def test_a_question_that_cannot_be_answered_ends_with_1_and_all_its_problems(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: Any, **__: Any) -> Any:
        raise InputError(["ethanol 0.4: did you mean 40?", "boost 1.2: did you mean 120?"])

    monkeypatch.setattr(study_files, "headroom_of_store", refused)
    result = run("--car", LABEL, "--ethanol", "0.4", "--boost", "1.2")
    assert result.exit_code == 1
    assert "2 problems; nothing was predicted." in result.stderr
