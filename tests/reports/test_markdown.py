"""The report as text for a forum: a Markdown reader of other people's gets the words back, and nothing but words."""

import dataclasses

import polars as pl
import pytest
from markdown_it import MarkdownIt

from models.schemas import Study
from reports import markdown_text, wording
from reports.markdown import escaped

LIVE = {"link_open", "image", "html_inline", "html_block"}
HOSTILE = [
    "<script>alert(1)</script>", "[a](https://evil.example/x)", "![a](x.png)", "**b** _c_ `d` ~~e~~", "# head",
    "a | b | c", "https://evil.example", "www.evil.example", "@everyone", "line\nbreak\n\n- list", "$x^2$ {y}", "\\",
    "&lt;", ":smile:", "||hidden||",
]  # fmt: skip


@pytest.fixture(scope="module")
def text(study: Study) -> str:
    return markdown_text(study)


def _tokens(text: str) -> list[tuple[str, str]]:
    return [
        (token.type, token.content)
        for block in MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(text)
        for token in [block, *(block.children or [])]
    ]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_come_out_as_they_stand(name: str) -> None:
    # markdown-it-py is a CommonMark reader (commonmark.org, version 0.31)
    tokens = _tokens(f"- **{escaped(name)}** rest")
    plain = "".join(content for kind, content in tokens if kind in ("text", "text_special")).removesuffix(" rest")
    assert plain.replace("\u200b", "") == " ".join(name.split())
    kinds = {kind for kind, _ in tokens}
    assert not kinds & {
        "link_open",
        "image",
        "html_inline",
        "html_block",
        "code_inline",
        "em_open",
        "s_open",
        "table_open",
    }
    assert "www.evil" not in escaped(name)
    assert "s://" not in escaped(name)
    assert "@e" not in escaped(name)


def test_text_has_every_section_in_order_and_no_markup_of_pages(text: str) -> None:
    heads = [line for line in text.splitlines() if line.startswith("#")]
    assert heads == [
        "# Fuel pump census 2026Q3", "## What needs attention", "## What changed since the last quarter",
        "## Who should log what next", "## How far to trust this", "## Logs that could not be used", "## Cautions",
    ]  # fmt: skip
    assert "<" not in text.replace("\\<", "")
    assert "invented" in text.lower()
    for caution in wording.cautions():
        assert caution.title in text


def test_flagged_cars_stand_there_and_cars_like_their_peers_do_not(study: Study, text: str) -> None:
    for row in study.cars.iter_rows(named=True):
        if row["signal"] == "action":
            assert f"**{row['label']}** needs attention" in text
    quiet = study.cars.filter((pl.col("signal") == "clear") & (pl.col("pump_limit") == "none"))["label"]
    named_elsewhere = {*study.changes.filter(pl.col("change") != "same")["label"], *study.next_logs["label"]}
    named_elsewhere |= {*study.quality.filter(pl.col("verdict") == "refused")["label"].drop_nulls()}
    assert [label for label in quiet if label in text and label not in named_elsewhere] == []


def test_least_study_has_words(small_study: Study) -> None:
    text = markdown_text(small_study)
    assert "Nothing, as far as these logs can tell." in text
    assert "None" not in text


def test_html_in_a_setup_stays_text(study: Study) -> None:
    evil = dataclasses.replace(study, cars=study.cars.with_columns(setup=pl.lit("<img src=x> | [a](b)")))
    assert {kind for kind, _ in _tokens(markdown_text(evil))} & LIVE == set()
