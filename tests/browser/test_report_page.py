"""The report as a browser meets it: no complaint, no request, charts when wanted, nothing wider than the screen."""

import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Visit = Callable[..., Any]
EVERYTHING = 'document.querySelectorAll("details").forEach((one) => { one.open = true; });'


def _label(page: Path, place: int = 3) -> str:
    return re.findall(r'<details class="card" id="([^"]+)">', page.read_text(encoding="utf-8"))[place]


def _card(dom: str, label: str) -> str:
    start = dom.index(f'id="{label}"')
    return dom[dom.rindex("<details", 0, start) : dom.index("</details>\n", start)]


def test_page_opens_without_complaint_or_request(visit: Visit, page: Path) -> None:
    opened = visit(page)
    assert opened.complaints == ()
    assert opened.noted("asked") == 0
    assert 'data-state="failed"' not in opened.dom


def test_address_with_label_opens_that_card_and_draws_its_charts(visit: Visit, page: Path) -> None:
    label = _label(page)
    opened = visit(page, f"#{label}")
    card = _card(opened.dom, label)
    assert card.startswith('<details class="card"')
    assert ' open=""' in card[: card.index(">")]
    assert card.count('data-state="drawn"') == 2
    assert card.count("<svg") == 2
    for says in re.findall(r'role="img" aria-labelledby="([^"]+)"', card):
        assert f'id="{says}"' in card
    assert opened.complaints == ()


def test_cards_stay_undrawn_until_opened(visit: Visit, page: Path) -> None:
    opened = visit(page)
    assert 'data-state="drawn"' not in _card(opened.dom, _label(page))


def test_label_is_found_however_it_is_typed(visit: Visit, page: Path) -> None:
    label = _label(page)
    typed = label.lower().replace("-", "").replace("1", "l").replace("0", "o")
    opened = visit(page, script=f"""
        document.getElementById("label").value = " {typed} ";
        document.getElementById("find").requestSubmit();""")  # fmt: skip
    assert ' open=""' in _card(opened.dom, label).split(">")[0]


def test_unknown_label_is_said_to_be_unknown(visit: Visit, page: Path) -> None:
    opened = visit(page, script="""
        document.getElementById("label").value = "zzzz zzzz";
        document.getElementById("find").requestSubmit();""")  # fmt: skip
    assert "There is no card ZZZZ-ZZZZ in this quarter." in opened.dom


def test_table_behind_a_chart_is_written_when_asked_for(visit: Visit, page: Path) -> None:
    label = _label(page)
    opened = visit(page, f"#{label}", script=f"""
        setTimeout(() => document.getElementById("{label}").querySelectorAll(".numbers")
            .forEach((one) => {{ one.open = true; }}), 1000);""")  # fmt: skip
    card = _card(opened.dom, label)
    assert card.count("<table") == 2
    assert "engine speed (1/min)" in card


def test_table_of_cars_sorts_and_filters(visit: Visit, page: Path) -> None:
    opened = visit(page, script="""
        document.querySelectorAll("#all thead button")[3].click();
        const filter = document.getElementById("filter-signal");
        filter.value = "action";
        filter.dispatchEvent(new Event("input", { bubbles: true }));""")  # fmt: skip
    table = opened.dom[opened.dom.index('<table id="all"') : opened.dom.index('<section id="funnel"')]
    rows = re.findall(r"<tr data-s=\"(\w+)\"([^>]*)>.*?<td class=\"r\">([^<]*)</td>", table, re.DOTALL)
    assert {signal for signal, rest, _ in rows if "hidden" not in rest} == {"action"}
    assert {signal for signal, rest, _ in rows if "hidden" in rest} == {"warning", "clear", "undecided"}
    values = [float(value.replace("−", "-")) for _, _, value in rows]
    assert values == sorted(values)
    assert 'aria-sort="ascending"' in table


def test_every_chart_is_drawn_without_complaint(visit: Visit, page: Path) -> None:
    opened = visit(page, script=EVERYTHING + 'window.dispatchEvent(new Event("beforeprint"));')
    figures = opened.dom.count('<figure class="figure')
    assert opened.dom.count('data-state="drawn"') == figures > 80
    assert opened.complaints == ()


@pytest.mark.parametrize("script", ["", EVERYTHING], ids=["as it opens", "everything open"])
def test_nothing_is_wider_than_a_small_phone(visit: Visit, page: Path, script: str) -> None:
    opened = visit(page, width_px=360, script=script)
    assert opened.noted("width") == 360
    assert opened.noted("over") <= 0
    assert opened.complaints == ()


def test_probe_would_see_something_wider_than_the_phone(visit: Visit, page: Path) -> None:
    wide = 'document.body.append(Object.assign(document.createElement("div"), { style: "width:500px;height:9px" }));'
    assert visit(page, width_px=360, script=wide).noted("over") > 0


def test_paper_holds_the_key_charts(chromium: str, page: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.pdf"
    profile = f"--user-data-dir={tmp_path / 'profile'}"
    quiet = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
    command = [chromium, *quiet, profile, "--virtual-time-budget=10000", f"--print-to-pdf={out}", page.as_uri()]
    subprocess.run(command, capture_output=True, timeout=120, check=True)
    assert out.read_bytes().startswith(b"%PDF")
    pages = len(re.findall(rb"/Type\s*/Page\b", out.read_bytes()))
    assert 5 <= pages <= 25  # forty cars: neither cut off nor a sheet a car
