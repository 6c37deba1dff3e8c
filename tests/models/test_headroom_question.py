"""What may have been mistyped, asked back in words."""

import pytest

from models.headroom_question import Question, find_setup, unknown_setup

KNOWN = ["2.0 four | larger | original | map 2", "2.0 four | original | original | map 2", "3.0 six | original | ? | ?"]


def told(ethanol_pct: float = 40.0, **also: float) -> str:
    return "\n".join(Question("a setup", None, ethanol_pct, **also).problems())


def test_a_sound_question_has_no_problems() -> None:
    assert told() == ""
    assert told(0.0) == told(100.0) == told(5.5, boost_kpa=120.0, reserve_pct=0.0) == ""


@pytest.mark.parametrize(("ethanol", "words"), [
    (0.4, "Did you mean 40?"), (0.85, "Did you mean 85?"), (101, "from 0 to 100"), (-1, "from 0 to 100"),
    (float("nan"), "from 0 to 100"),
])  # fmt: skip
def test_an_ethanol_content_that_cannot_be_meant(ethanol: float, words: str) -> None:
    assert words in told(ethanol)


def test_a_reserve_as_a_share_is_asked_about_and_one_of_all_refused() -> None:
    assert "Did you mean 10?" in told(reserve_pct=0.1)
    assert "under 100" in told(reserve_pct=100)


def test_everything_is_told_at_once() -> None:
    problems = Question(None, None, 0.4, -3.0, 200.0).problems()
    assert len(problems) == 4


@pytest.mark.parametrize(("setup", "label"), [(None, None), ("a", "7K3M-Q2XW")])
def test_one_of_setup_and_car_is_asked_for(setup: str | None, label: str | None) -> None:
    assert "not both and not neither" in Question(setup, label, 40).problems()[0]


@pytest.mark.parametrize(
    ("boost", "meant"),
    [(1.2, "120 (1.2 bar)"), (18, "124 (18 psi)"), (1300, "130 (1300 hPa)"), (0.7, "70 (0.7 bar)")],
)
def test_a_boost_in_another_unit_is_asked_about(boost: float, meant: str) -> None:
    """1 psi = 6.894757 kPa: NIST SP 811, appendix B.8, as quoted."""
    (problem,) = Question("s", None, 40, boost).boost_problems(140.0)
    assert meant in problem
    assert "140 are usual" in problem


def test_a_boost_near_the_usual_one_is_taken_and_a_far_one_that_no_unit_explains_refused() -> None:
    assert Question("s", None, 40, 160.0).boost_problems(140.0) == []
    assert Question("s", None, 40, 90.0).boost_problems(40.0) == []
    (problem,) = Question("s", None, 40, 390.0).boost_problems(140.0)
    assert "Did you mean" not in problem
    assert "Leave it out" in Question("s", None, 40, 90.0).boost_problems(-2.0)[0]


def test_a_setup_is_found_whatever_its_case_and_spaces() -> None:
    assert find_setup("2.0 FOUR|Larger | original|  map  2", KNOWN) == KNOWN[0]
    assert find_setup("2.0 four", KNOWN) is None


def test_an_unknown_setup_gets_the_nearest_or_all_there_are() -> None:
    assert KNOWN[0] in unknown_setup("2.0 four | lager | original | map 2", KNOWN, "2026Q3").split("Nearest: ")[1]
    every = unknown_setup("diesel", KNOWN, "2026Q3")
    assert all(name in every for name in KNOWN)
    assert "There are 20" in unknown_setup("diesel", [f"{n} {n} {n}" for n in range(20)], "2026Q3")
