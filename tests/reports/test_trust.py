"""What a study says of its own record: what was found in inspected cars."""

from dataclasses import replace

from models.schemas import Study
from reports.terminal import signals_text
from reports.trust import outcome, trust


def test_the_share_found_comes_with_its_interval_and_is_called_no_sensitivity(study: Study) -> None:
    share, against = outcome(study)
    assert share.value == "2 of 3 (95 % interval 9 % to 99 %)"
    assert "2026Q2, 2026Q3" in share.meaning
    assert "no sensitivity" in share.meaning
    assert "1 finding without a day" in share.meaning
    assert "needs attention in 2026Q2, nothing found on 2026-06-30" in against.value


def test_the_outcome_is_told_on_the_page_and_in_the_terminal(study: Study) -> None:
    assert {fact.name for fact in outcome(study)} <= {fact.name for fact in trust(study)}
    text = " ".join(signals_text(study).split())
    assert "2 of 3 (95 % interval 9 % to 99 %)" in text
    assert "Findings that contradict the signal:" in text


def test_without_inspections_the_terminal_is_silent_and_the_page_says_so(study: Study) -> None:
    nothing = replace(study, summary={**study.summary, "outcome": {"inspected": 0, "contradicting": []}})
    assert "Outcome" not in signals_text(nothing)
    assert outcome(nothing)[0].value == "none inspected yet"
