"""A study into the sections of the page: plain values and words, no markup."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from models.schemas import Study
from reports import wording
from reports.as_estimated import as_estimated
from reports.cards import NOTHING_FOUND_PCT, Card, Spell, cards, ceilings, named, spells
from reports.charts import bands, caterpillar, funnel
from reports.drill import DrillShown, drill_shown
from reports.figures import Figure
from reports.next_logs import NextLog, next_logs
from reports.quality import Quality, quality
from reports.tables import counted, figure, percent
from reports.theme import SIGNALS
from reports.trends import Trends, trends
from reports.trust import Fact, outcome, trust

STILL_SETUPS_MOST = 8  # drawn for paper too; beyond, the page would grow past its size
STILL_CATERPILLARS_MOST = 3  # of sixty cars each
PEERS_FEW = 5  # a setup with fewer cars lends from the regression


@dataclass(frozen=True)
class Tally:
    """How many setup spells carry one signal."""

    signal: str
    sign: str
    word: str
    meaning: str
    count: int


@dataclass(frozen=True)
class Change:
    """A car whose signal or excess is not as last quarter."""

    label: str
    known: bool  # the label has a card on this page
    setup: str
    change: str
    before: str
    now: str


@dataclass(frozen=True)
class Setup:
    """One setup's baseline."""

    name: str
    cars: int
    few: bool
    flagged: tuple[str, ...]
    figure: Figure


@dataclass(frozen=True)
class Report:
    """All sections of the page, in its order."""

    quarter: str
    demo: bool
    overview: str
    tallies: tuple[Tally, ...]
    privacy: str
    attention: tuple[Spell, ...]
    changes: tuple[Change, ...]
    unchanged: int
    hits: Fact | None  # of inspected cars, how many with a finding; None where nobody has looked
    spells: tuple[Spell, ...]
    unknown: int  # spells without any figure; the table lists them, the charts cannot
    caterpillars: tuple[Figure, ...]
    funnel: Figure | None
    setups: tuple[Setup, ...]
    trends: Trends
    cards: tuple[Card, ...]
    next_logs: tuple[NextLog, ...]
    trust: tuple[Fact, ...]
    drill: DrillShown | None
    quality: Quality
    cautions: tuple[wording.Caution, ...]
    made_with: str

    def figures(self) -> list[Figure]:
        """Every chart of the page."""
        whole = [
            *self.caterpillars,
            *([self.funnel] if self.funnel else []),
            *(s.figure for s in self.setups),
        ]
        return whole + [figure for spell in self.spells for figure in spell.figures()]


def report(study: Study) -> Report:
    """Everything the page says of a study."""
    every = spells(study)
    words = wording.signal_words()
    cars = named(study.cars)
    whole = funnel.draw(as_estimated(cars, study.summary.get("model", {}).get("tau_pct")), words)
    changed = [row for row in study.changes.iter_rows(named=True) if row["change"] != "same"]
    made_with = study.summary.get("made_with", {})
    return Report(
        quarter=study.quarter,
        demo=bool(study.summary.get("demo")),
        overview=overview(study),
        tallies=_tallies(study.cars),
        privacy=_privacy(study.summary),
        attention=tuple(spell for spell in every if spell.flagged),
        changes=tuple(_change(row, set(study.cars["label"])) for row in changed),
        unchanged=study.changes.height - len(changed),
        hits=_hits(study),
        spells=tuple(every),
        unknown=study.cars["excess_pct"].null_count(),
        caterpillars=tuple(
            Figure(f"cars{i}", chart, on_paper=i < STILL_CATERPILLARS_MOST)
            for i, chart in enumerate(caterpillar.draw(cars, words))
        ),
        funnel=Figure("funnel", whole, on_paper=True) if whole else None,
        setups=_setups(study, cars, words),
        trends=trends(study, every),
        cards=tuple(cards(every)),
        next_logs=tuple(next_logs(study)),
        trust=tuple(trust(study)),
        drill=drill_shown(study.summary["drill"]) if "drill" in study.summary else None,
        quality=quality(study.quality),
        cautions=wording.cautions(),
        made_with=", ".join(f"{name} {version}" for name, version in made_with.items()),
    )


def overview(study: Study) -> str:
    """How the fleet is, in one paragraph."""
    cars, counts = study.cars, study.summary.get("counts", {})
    kept, refused = counts.get("logs_kept"), counts.get("logs_refused")
    text = (
        f"In quarter {study.quarter}, {counted(cars['label'].n_unique(), 'car')} in "
        f"{counted(cars['setup'].n_unique(), 'setup')} gave {counted(kept, 'usable log')} with "
        f"{counted(counts.get('pulls'), 'full-load pull')}"
    )
    text += f"; {counted(refused, 'log')} could not be used. " if refused else ". "
    text += f"{_signals_in_words(cars)} "
    if cars.height > cars["label"].n_unique():
        text += "A car that changed its setup counts once with each. "
    short, reached = (cars.filter(pl.col("pump_limit") == code).height for code in ("rail_short", "reached"))
    text += f"{_limits_in_words(short, reached)} "
    found = study.summary.get("budget", {}).get("median_detectable_excess_pct")
    if found is not None and found < NOTHING_FOUND_PCT:
        text += (
            f"In half of the cars an excess of {figure(found)} % at all engine speeds, or less, would have been found."
        )
    elif found is not None:
        text += "There are too few peers yet for any excess to be found."
    return f"{text.strip()} {_borrowed_in_words(study.summary.get('borrowed', {}))}".strip()


def _borrowed_in_words(borrowed: dict[str, int]) -> str:
    """Whose cars teach what to expect beside the club's own, as a sentence.

    >>> _borrowed_in_words({"clubs": 1, "cars": 12})
    'What to expect is learned from 12 cars that 1 other club gave, too; they are judged nowhere here.'
    """
    if not borrowed.get("cars"):
        return ""
    clubs = borrowed["clubs"]
    given = f"{counted(borrowed['cars'], 'car')} that {clubs} other club{'s' if clubs > 1 else ''} gave"
    return f"What to expect is learned from {given}, too; they are judged nowhere here."


def _limits_in_words(short: int, reached: int) -> str:
    """How many pumps were seen at their limit, as a sentence.

    >>> _limits_in_words(0, 2)
    '2 pumps stood at their ceiling.'
    >>> _limits_in_words(1, 2)
    '1 car ran short of fuel, and 2 more pumps stood at their ceiling.'
    """
    if not short and not reached:
        return "No pump was seen at its limit."
    ran = f"{counted(short, 'car')} ran short of fuel"
    if not reached:
        return f"{ran}."
    stood = f"pump{'s' if reached > 1 else ''} stood at {'their' if reached > 1 else 'its'} ceiling."
    return f"{ran}, and {reached} more {stood}" if short else f"{reached} {stood}"


def _signals_in_words(cars: pl.DataFrame) -> str:
    """How many cars carry each signal, as a sentence.

    >>> _signals_in_words(pl.DataFrame({"signal": ["action", "clear", "clear"]}))
    '1 needs attention, 0 are to be watched, 2 are like their peers, and of 0 there is too little to say.'
    """
    one = {"action": "needs attention", "warning": "is to be watched", "clear": "is like its peers"}
    many = {"action": "need attention", "warning": "are to be watched", "clear": "are like their peers"}
    count = dict.fromkeys(wording.SIGNAL_CODES, 0) | dict(cars["signal"].value_counts().iter_rows())
    parts = [f"{count[code]} {(one if count[code] == 1 else many)[code]}" for code in one]
    return ", ".join(parts) + f", and of {count['undecided']} there is too little to say."


def _hits(study: Study) -> Fact | None:
    told = study.summary.get("outcome", {})
    return outcome(study)[0] if told.get("inspected") else None


def _tallies(cars: pl.DataFrame) -> tuple[Tally, ...]:
    counts = dict(cars["signal"].value_counts().iter_rows())
    return tuple(
        Tally(
            code,
            SIGNALS[code].sign,
            wording.signal(code).word,
            wording.signal(code).meaning,
            counts.get(code, 0),
        )
        for code in wording.SIGNAL_CODES
    )


def _privacy(summary: dict[str, Any]) -> str:
    rare = summary.get("rare_setups") or []
    if not (summary.get("small_club") or rare):
        return ""
    text = "In a small club a rare setup reveals its car: think before this page leaves the club."
    return text + (f" Setups with few cars: {'; '.join(rare)}." if rare else "")


def _change(row: dict[str, Any], present: set[str]) -> Change:
    def side(signal: str | None, excess: float | None) -> str:
        if signal is None:
            return "not in the study"
        word = wording.signal(signal).word
        return word if excess is None else f"{word}, {percent(excess)}"

    return Change(
        row["label"],
        row["label"] in present,
        row["setup"],
        wording.change(row["change"]),
        side(row["signal_before"], row["excess_before_pct"]),
        side(row["signal_now"], row["excess_now_pct"]),
    )


def _setups(study: Study, cars: pl.DataFrame, words: dict[str, str]) -> tuple[Setup, ...]:
    flagged = cars.filter(
        pl.col("signal").is_in(["action", "warning"]) | pl.col("pump_limit").is_in(["rail_short", "reached"])
    )
    keys, tops = ["label", "setup", "spell_since"], ceilings(study)
    calibration = dict(study.cars.select("setup", "calibration").iter_rows())
    curves = study.curves.join(
        flagged.select(*keys, "name", "signal"), on=keys, nulls_equal=True, maintain_order="left"
    )
    found = []
    for (setup,), baseline in study.baselines.group_by("setup", maintain_order=True):
        drawn = curves.filter(pl.col("setup") == setup)
        found.append((str(setup), baseline, drawn, flagged.filter(pl.col("setup") == setup)["name"].to_list()))
    found.sort(key=lambda one: (-len(one[3]), one[0]))
    return tuple(
        Setup(
            name,
            int(baseline["cars"].max() or 0),  # type: ignore[arg-type]
            int(baseline["cars"].max() or 0) < PEERS_FEW,  # type: ignore[arg-type]
            tuple(labels),
            Figure(
                f"setup{i}",
                bands.draw(baseline, drawn, words, tops.get(calibration.get(name, ""))),
                on_paper=bool(labels) and i < STILL_SETUPS_MOST,
            ),
        )
        for i, (name, baseline, drawn, labels) in enumerate(found)
    )
