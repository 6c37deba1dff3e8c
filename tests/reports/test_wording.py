"""Every code has words, and the words keep to what may be said."""

import re
from importlib.resources import files

import pytest

from models.schemas import CHECKS, PATTERNS
from reports import wording

FORBIDDEN = re.compile(r"\b(faulty|defective|safe|safely|unsafe|buy|order a|replace)\b|\bgood for E\d", re.IGNORECASE)


@pytest.mark.parametrize("code", PATTERNS)
def test_each_pattern_has_words_causes_and_first_checks(code: str) -> None:
    pattern = wording.pattern(code)
    assert pattern.word
    assert pattern.seen.endswith(".")
    assert pattern.causes
    assert pattern.first
    assert pattern.source


@pytest.mark.parametrize("code", CHECKS)
def test_each_check_says_what_to_do(code: str) -> None:
    assert wording.check(code).step.endswith(".")


@pytest.mark.parametrize("code", wording.LIMIT_CODES)
def test_each_pump_limit_has_words(code: str) -> None:
    assert wording.limit(code).meaning.endswith(".")


def test_signals_are_shown_in_the_words_agreed() -> None:
    assert wording.signal_words() == {
        "action": "needs attention",
        "warning": "watch",
        "clear": "like its peers",
        "undecided": "too little to say",
    }


def test_no_word_condemns_promises_or_sells() -> None:
    text = files("reports").joinpath("advice.toml").read_text(encoding="utf-8")
    words = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    assert FORBIDDEN.findall(words) == []


def test_first_check_before_the_pump_is_the_feed_side_under_load() -> None:
    # usual practice: a shortage is sought on the feed side before the high-pressure pump is blamed
    assert "feed pressure under full load" in wording.pattern("out_of_volume").first[0]


def test_hazards_name_jets_fire_lean_running_law_and_who_may_work() -> None:
    text = " ".join(caution.text.lower() for caution in wording.cautions())
    for word in ("hospital", "flame", "lean", "local law", "passenger", "technician", "exhaust"):
        assert word in text


def test_findings_take_their_words_from_ingest() -> None:
    assert wording.finding("empty").word != "empty"
    assert wording.finding("empty").meaning
