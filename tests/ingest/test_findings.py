"""Every code that the room speaks of has its words, and every finding says where, what and what to do."""

import re
from pathlib import Path

import pytest

import ingest.findings
from ingest.findings import EFFECTS, Finding, in_words, meanings, where

ROOM = Path(ingest.findings.__file__).parent


def test_every_code_in_the_room_has_its_words() -> None:
    spoken = set()
    for path in ROOM.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        spoken |= set(re.findall(r'Finding\(\s*"([a-z_]+)"', text))
    assert spoken
    assert spoken <= set(meanings())


@pytest.mark.parametrize("code", sorted(meanings()))
def test_words(code: str) -> None:
    meaning = meanings()[code]
    assert meaning.effect in EFFECTS
    for text in (meaning.message, meaning.remedy):
        assert text[0].isupper()
        assert text.endswith((".", '"'))
    assert "faulty" not in meaning.message.casefold()


def test_where() -> None:
    assert where(Finding("row_ragged", row=7)) == "row 7"
    assert where(Finding("row_ragged", row=7, rows=1)) == "row 7"
    assert where(Finding("row_ragged", row=7, rows=3)) == "from row 7, 3 rows"
    assert where(Finding("header_repeated", rows=1)) == "1 row"
    assert where(Finding("empty")) == ""


def test_one_line() -> None:
    line = in_words(Finding("channel_missing", "pump_duty_pct", detail="12 columns"))
    assert line.startswith("pump_duty_pct: A channel that cannot be done without was not found (12 columns). ")
    assert "--channels" in line
