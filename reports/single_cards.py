"""A file a car, for its owner: nothing of other cars but the band of what peers need, and how many peers there are."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote

import polars as pl

from ingest.whole_files import write_whole
from models.schemas import Study
from reports import wording
from reports.cards import Card, Spell, cards, spells
from reports.figures import Figure, stills
from reports.page import fill
from reports.quality import Quality, quality

STILL_PX = 460  # no script redraws the chart to the screen's width: two stand side by side, one fills a phone


@dataclass(frozen=True)
class SingleCard:
    """One car's sheet. quality: of its own logs."""

    quarter: str
    demo: bool
    card: Card
    quality: Quality
    cautions: tuple[wording.Caution, ...]

    def figures(self) -> list[Figure]:
        return [figure for spell in self.card.spells for figure in spell.figures()]


def write_cards(study: Study, out: Path, progress: Callable[[int, int], None] | None = None) -> list[Path]:
    """Write LABEL.html for every car into folder `out`, which is made if need be; gives the files' paths.

    Each opens alone: no script, no network, no other file.
    """
    every = single_cards(study)
    out.mkdir(parents=True, exist_ok=True)
    written = []
    for single in every:
        path = out / file_name(single.card.label)
        write_whole(path, fill("card.html", stills(single.figures()), single=single).encode())
        written.append(path)
        if progress:
            progress(len(written), len(every))
    return written


def file_name(label: str) -> str:
    """A label as a file's name, whatever signs it holds.

    >>> file_name("7K3M-Q2XW"), file_name("../a")
    ('7K3M-Q2XW.html', '..%2Fa.html')
    """
    return quote(label, safe="") + ".html"


def single_cards(study: Study) -> list[SingleCard]:
    """Every car's sheet, in order of label."""
    demo, cautions = bool(study.summary.get("demo")), wording.cautions()
    return [
        SingleCard(
            study.quarter,
            demo,
            Card(card.label, tuple(_alone(spell) for spell in card.spells)),
            quality(study.quality.filter(pl.col("label") == card.label)),
            cautions,
        )
        for card in cards(spells(study))
    ]


def _alone(spell: Spell) -> Spell:
    """A spell whose charts are drawn for good, and whose words tell nothing of other cars."""
    return replace(
        spell,
        curve=_still(spell.curve),
        trend=_still(spell.trend),
        checks=tuple(wording.alone(check) for check in spell.checks),
    )


def _still(figure: Figure | None) -> Figure | None:
    return figure and replace(figure, on_paper=True, still_px=STILL_PX)
