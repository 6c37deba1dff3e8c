"""A drill on page and terminal: every figure in both, in words that say what it is and is not."""

import dataclasses
import re
from typing import Any

import pytest

from models.drill import faults
from models.schemas import Study
from reports import wording
from reports.drill import drill_shown
from reports.page import render
from reports.terminal import drill_text


def invented_drill(**also: Any) -> dict[str, Any]:
    """Three cars of each fault; the larger, the more are noticed."""
    found = []
    for place, fault in enumerate(sorted(faults(), key=lambda fault: fault.name)):
        row: dict[str, Any] = {"fault": fault.name, "size_pct": fault.size_pct, "planted": 3}
        row |= {"action": place % 3, "noticed": place % 3 + 1}
        found.append(row | {"expected_noticed": None if fault.size_pct is None else 1.25})
    return {"quarter": "2026Q3", "sound": 431, "false_actions": 2, "found": found} | also


def test_every_fault_of_a_drill_has_its_words() -> None:
    assert {fault.name for fault in faults()} == set(wording.FAULT_CODES)


def test_lines_fit_eighty_columns_and_any_code_page() -> None:
    text = drill_text(invented_drill())
    assert max(map(len, text.splitlines())) <= 80
    assert text.isascii()


def test_the_terminal_shows_a_line_a_fault_and_size_in_the_order_of_the_words() -> None:
    lines = drill_text(invented_drill()).splitlines()
    words = [wording.fault(code) for code in wording.FAULT_CODES]
    shown = [line for line in lines if line.startswith(tuple(words))]
    assert len(shown) == len(faults())
    assert [next(i for i, word in enumerate(words) if line.startswith(word)) for line in shown] == sorted(
        [0, 1, 2, 3] * 4 + [4]
    )
    assert [line.split()[-5] for line in shown[:4]] == ["5", "8", "12", "20"]
    assert shown[-1].split()[-5] == "-"


def test_the_sound_cars_and_what_a_drill_cannot_show_are_said() -> None:
    text = " ".join(drill_text(invented_drill()).split())
    assert "Of 431 sound cars" in text
    assert '2 were given "needs attention"' in text
    assert "a check of power, not a proof of the law" in text
    assert "invented" not in text
    assert "invented" in drill_text(invented_drill(demo=True))


def test_the_sentence_tells_the_table_by_size() -> None:
    drill = invented_drill()
    for size in (5.0, 20.0):
        rows = [row for row in drill["found"] if row["size_pct"] == size]
        told = f"{sum(row['noticed'] for row in rows)} of {sum(row['planted'] for row in rows)}"
        assert re.search(rf"{told} (planted faults )?of {size:.0f}\u00a0%", drill_shown(drill).sentence)


def test_one_fault_alone_has_a_sentence() -> None:
    dropouts = [row for row in invented_drill()["found"] if row["size_pct"] is None]
    assert drill_shown(invented_drill(found=dropouts)).sentence.endswith("of 3 with dropouts.")


@pytest.fixture(scope="module")
def page(study: Study) -> str:
    return render(dataclasses.replace(study, summary=study.summary | {"drill": invented_drill()}))


def test_the_page_shows_the_drill_in_how_far_to_trust_this(page: str) -> None:
    section = page.split('<section id="trust">')[1].split("</section>")[0]
    for code in wording.FAULT_CODES:
        assert section.count(f"<td>{wording.fault(code)}</td>") == (1 if code == "dropouts" else 4)
    shown = drill_shown(invented_drill())
    for text in (shown.sentence, shown.sound, shown.law):
        assert text in section
    assert "pumpcensus drill" not in section


def test_without_a_drill_the_page_says_how_to_make_one(study: Study) -> None:
    section = render(study).split('<section id="trust">')[1].split("</section>")[0]
    assert "<code>pumpcensus drill</code>" in section
