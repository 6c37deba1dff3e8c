"""A study into cards: one a car, with every setup spell the car has had."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from models.schemas import Study
from reports import wording
from reports.charts import car_curve, trend
from reports.charts.encodings import Ceiling
from reports.figures import Figure
from reports.tables import counted, day, figure, interval, percent, signed
from reports.theme import SIGNALS
from reports.thirds import thirds
from reports.why import SPOKE_Z, why
from reports.wishes import in_words

STILL_CURVES_MOST = 12  # cars whose curve is drawn for paper too; beyond, the page would grow past its size
STILL_TRENDS_MOST = 4  # the same for cars that change over time
SPELL = ("label", "setup", "spell_since")


@dataclass(frozen=True)
class Spell:
    """What is said of one car with one setup.

    name: the label, with a number where the car has had several setups. period: since and until when.
    excess, interval, since, peak (where in the rev range it is largest), evidence: ready-made text.
    thirds: excess in the low, middle and high third of the rev range. events: one line each. why: which test spoke.
    next_logs: what would decide, a sentence each. trending: its excess rises or falls from log to log by more than a
    healthy car's; trend_z: by how much more.
    curve, trend: None where no figure is known.
    """

    name: str
    label: str
    setup: str
    period: str
    signal: str
    sign: str
    word: str
    meaning: str
    limit: str
    limit_word: wording.Word | None
    excess: str
    interval: str
    since: str
    peak: str
    evidence: str
    thirds: str
    trending: bool
    trend_z: float
    patterns: tuple[wording.Pattern, ...]
    checks: tuple[wording.Check, ...]
    events: tuple[str, ...]
    why: str
    next_logs: tuple[str, ...]
    curve: Figure | None
    trend: Figure | None

    @property
    def flagged(self) -> bool:
        return self.signal in ("action", "warning") or self.limit in ("rail_short", "reached")

    def figures(self) -> list[Figure]:
        return [figure for figure in (self.curve, self.trend) if figure]


@dataclass(frozen=True)
class Card:
    """One car: the page's place `#label`."""

    label: str
    spells: tuple[Spell, ...]

    @property
    def flagged(self) -> bool:
        return any(spell.flagged for spell in self.spells)


def named(cars: pl.DataFrame) -> pl.DataFrame:
    """CARS with `name`: the label, and a number where one label has several spells, the earliest first.

    >>> frame = pl.DataFrame({"label": ["A", "A", "B"], "spell_since": [date(2026, 8, 1), None, None]})
    >>> named(frame)["name"].to_list()
    ['A (2)', 'A (1)', 'B']
    """
    several = pl.col("label").len().over("label") > 1
    turn = pl.col("spell_since").fill_null(date.min).rank("ordinal").over("label").cast(pl.String)
    return cars.with_columns(name=pl.when(several).then(pl.col("label") + " (" + turn + ")").otherwise(pl.col("label")))


def spells(study: Study) -> list[Spell]:
    """Every car and setup of the study, in its order: pumps at their limit first, then by signal."""
    curves = _by_spell(study.curves)
    logs = _by_spell(study.car_logs)
    wishes = study.next_logs.partition_by(*SPELL, maintain_order=True, as_dict=True) if study.next_logs.height else {}
    result: list[Spell] = []
    tops = ceilings(study)
    stills = still_trends = 0
    for place, row in enumerate(by_urgency(named(study.cars)).iter_rows(named=True)):
        key = tuple(row[name] for name in SPELL)
        on_paper = _is_flagged(row) and stills < STILL_CURVES_MOST
        stills += on_paper
        trend_on_paper = is_trending(row) and still_trends < STILL_TRENDS_MOST
        still_trends += trend_on_paper
        curve, log, top = curves.get(key), logs.get(key), tops.get(row["calibration"])
        result.append(
            _spell(
                row,
                wishes.get(key),
                None if curve is None else Figure(f"curve{place}", car_curve.draw(curve, top), on_paper),
                None if log is None else Figure(f"trend{place}", trend.draw(log), trend_on_paper),
            )
        )
    return result


def cards(every: list[Spell]) -> list[Card]:
    """Spells gathered by car, in order of label: the reader looks for a label."""
    labels = sorted({spell.label for spell in every})
    return [Card(label, tuple(spell for spell in every if spell.label == label)) for label in labels]


def by_urgency(cars: pl.DataFrame) -> pl.DataFrame:
    """Pumps at their limit first, then by signal, then by excess."""
    limit = pl.col("pump_limit").replace_strict({"rail_short": 0, "reached": 1}, default=2)
    signal = pl.col("signal").replace_strict({"action": 0, "warning": 1, "undecided": 2, "clear": 3}, default=4)
    return cars.sort(limit, signal, -pl.col("excess_pct"), "name", nulls_last=True)


def ceilings(study: Study) -> dict[str, Ceiling]:
    """Calibration -> the highest duty it commands."""
    known = study.summary.get("model", {}).get("ceilings") or []
    return {one["calibration"]: Ceiling(one["ceiling_pct"], one["learned"]) for one in known}


def is_trending(row: dict[str, Any]) -> bool:
    """Its excess grows, or changes from log to log by more than healthy cars do."""
    z = row["trend_z"]
    return "growing" in wording.codes(row["pattern"]) or (z is not None and abs(z) >= SPOKE_Z)


def _by_spell(frame: pl.DataFrame) -> dict[tuple[Any, ...], pl.DataFrame]:
    value = "duty_pct" if "duty_pct" in frame.columns else "excess_pct"
    known = frame.drop_nulls(value)
    return known.partition_by(*SPELL, maintain_order=True, as_dict=True) if known.height else {}


def _is_flagged(row: dict[str, Any]) -> bool:
    return row["signal"] in ("action", "warning") or row["pump_limit"] in ("rail_short", "reached")


def _spell(row: dict[str, Any], wishes: pl.DataFrame | None, curve: Figure | None, log: Figure | None) -> Spell:
    signal = wording.signal(row["signal"])
    limited = row["pump_limit"] in ("rail_short", "reached")
    return Spell(
        name=row["name"],
        label=row["label"],
        setup=row["setup"],
        period=_period(row["spell_since"], row["spell_until"]),
        signal=row["signal"],
        sign=SIGNALS[row["signal"]].sign,
        word=signal.word,
        meaning=signal.meaning,
        limit=row["pump_limit"],
        limit_word=wording.limit(row["pump_limit"]) if limited else None,
        excess=signed(row["excess_pct"]),
        interval=interval(row["excess_low_pct"], row["excess_high_pct"]),
        since=day(row["since"]) if row["since"] else "",
        peak="" if curve is None else _peak(curve.chart.data["rows"]),
        evidence=_evidence(row),
        thirds="" if curve is None else thirds(curve.chart.data["rows"]),
        trending=is_trending(row),
        trend_z=row["trend_z"] or 0.0,
        patterns=tuple(wording.pattern(code) for code in wording.codes(row["pattern"])),
        checks=tuple(wording.check(code) for code in wording.codes(row["check_first"])),
        events=_events(row),
        why=why(row),
        next_logs=() if wishes is None else in_words(wishes, row["signal"], with_figure=True),
        curve=curve,
        trend=log,
    )


def _period(since: date | None, until: date | None) -> str:
    """Since and until when a car has had a setup, as far as the roster says."""
    return " ".join(text for text in (f"from {since}" if since else "", f"until {until}" if until else "") if text)


def _peak(rows: pl.DataFrame) -> str:
    """Where in the rev range the excess is largest; half of all troubles show only in a part of it."""
    worst = car_curve.most_excess(rows)
    if not worst or worst[1] <= 0:
        return ""
    return f"in one band up to {percent(worst[1])} as measured, near {worst[0]} 1/min"


NOTHING_FOUND_PCT = 50.0  # an excess this large would be felt before it is computed


def _evidence(row: dict[str, Any]) -> str:
    """How much stands behind the figures, in one sentence."""
    logs, pulls = counted(row["logs"], "log").capitalize(), counted(row["pulls"], "full-load pull")
    text = f"{logs} with {pulls} in the quarter, {counted(row['peers'], 'peer')} of the same setup"
    if row["detectable_excess_pct"] is not None and row["detectable_excess_pct"] < NOTHING_FOUND_PCT:
        least = figure(row["detectable_excess_pct"])
        text += f"; an excess of {least} % at all engine speeds would have been found in four of five cases"
    return text + "."


def _events(row: dict[str, Any]) -> tuple[str, ...]:
    """What happened within the pulls of the quarter."""
    lines = [counted(row["dropouts"], "dropout") + " under load."]
    if row["rail_deficits"] is None:
        lines.append("Rail pressure or its target is not logged, so a shortfall would not be seen.")
    else:
        lines.append(
            counted(row["rail_deficits"], "time", "times").replace("no times", "never") + " short of rail pressure."
        )
    if row["saturated_share"] is not None:
        share = figure(100 * row["saturated_share"], 0)
        at = f"{share} % of full-load bands" if share != "0" else "hardly ever" if row["saturated_share"] else "never"
        lines.append(f"{at} at the pump's ceiling.")
    return tuple(line[0].upper() + line[1:] for line in lines)
