"""The ways to ask for a report: page, cards, text, each where it was asked for and nowhere else."""

from pathlib import Path
from typing import Any


def test_without_a_place_nothing_is_written_and_what_to_do_is_said(club: Any, at_once: Any) -> None:
    ended = at_once("report", "--store", club.store)
    assert ended.returncode == 2
    assert "--out or --cards" in " ".join(ended.stderr.replace("\u2502", " ").split())


def test_text_goes_to_standard_output_or_beside_the_page(club: Any, at_once: Any, tmp_path: Path) -> None:
    text = at_once("report", "--store", club.store, "--markdown").stdout
    assert text.startswith("# Fuel pump census 2026Q3")
    ended = at_once("report", "--store", club.store, "--markdown", "--out", tmp_path / "there")
    assert ended.stdout.startswith("Report: ")
    assert (tmp_path / "there" / "report.md").read_text(encoding="utf-8") == text


def test_cards_are_one_a_car_and_alone_in_their_folder(club: Any, at_once: Any, tmp_path: Path) -> None:
    ended = at_once("report", "--store", club.store, "--cards", tmp_path / "cards")
    assert (ended.returncode, ended.stdout) == (0, "")
    assert "Cards: 12 in" in ended.stderr
    assert len(list((tmp_path / "cards").iterdir())) == 12
