"""A study as plain lines for the terminal, none wider than 80 columns."""

import textwrap
from collections.abc import Iterable, Iterator
from typing import Any

import polars as pl

from models.one_car import one_car
from models.schemas import Study
from reports import wording
from reports.cards import Spell, by_urgency, named, spells
from reports.charts.car_curve import CEILING_SHARE
from reports.drill import drill_shown
from reports.next_logs import next_logs
from reports.sections import overview
from reports.tables import UNKNOWN, interval, signed
from reports.terminal_chart import BAND, Series, chart_lines
from reports.trust import outcome

WIDTH = 80
LEGEND = (
    "excess: fuel volume asked of the pump beyond what its peers need for the same demand, over the whole rev range; "
    "it may be larger in a part of it. limit: the pump was seen at its ceiling, or the fuel ran short; these stand "
    "first; unknown: rail pressure is not logged. (1), (2): the setups of a car that changed, the earlier first."
)
MORE = "One car in full: pumpcensus car LABEL --store STORE"
SETUP = "Engine | pump | boost hardware | calibration"
SINGLE_LOGS = (
    "Each log as measured. The car's own figure above is drawn towards its peers', as far as a healthy car's may "
    "differ by chance."
)
PLAIN_SIGNS = str.maketrans("\N{MINUS SIGN}\N{EN DASH}\N{NO-BREAK SPACE}\u201c\u201d\u2019", '-- ""\'')
EXPECTED, CAR, CAR_AT_CEILING = "|", "o", "#"


def signals_text(study: Study) -> str:
    """How the fleet is, and a line a car and setup: pumps at their limit first, then by signal.

    Under a car that stands out, what its evidence looks like: its excess may lie in a part of the rev range only.
    """
    lines = textwrap.wrap(overview(study), WIDTH)
    if study.summary.get("demo"):
        lines += ["", "All cars of this study are invented."]
    lines += [
        "",
        *textwrap.wrap(LEGEND, WIDTH),
        "",
        f"{'car':<26}{'signal':<17}{'excess %':>9} {'95 % interval':<17}{'limit':<10}",
    ]
    for row in by_urgency(named(study.cars)).iter_rows(named=True):
        lines.append(_signal_line(row))
        seen = "; ".join(wording.pattern(code).word for code in wording.codes(row["pattern"]))
        if row["signal"] in ("action", "warning") and seen:
            lines += textwrap.wrap(seen, WIDTH, initial_indent="  ", subsequent_indent="  ")
    return plain([*lines, *_next_lines(study), *_outcome_lines(study), "", MORE])


def _next_lines(study: Study) -> Iterator[str]:
    """What each car that is not decided should log next, like wishes gathered."""
    every = next_logs(study)
    if every:
        told = [f"{', '.join(name for name, _ in one.cars)}: {' '.join(one.wishes)}" for one in every]
        yield from ("", *_listed("To log next", told))


def _outcome_lines(study: Study) -> Iterator[str]:
    """What was found in inspected cars, once there is anything to tell."""
    told = study.summary.get("outcome", {})
    if told.get("inspected") or told.get("contradicting"):
        yield from ("", *_listed("Outcome", [f"{fact.name}: {fact.value}. {fact.meaning}" for fact in outcome(study)]))


def _signal_line(row: dict[str, Any]) -> str:
    limit = {"rail_short": "runs short", "reached": "ceiling", "unknown": "unknown"}.get(row["pump_limit"], "")
    excess, span = signed(row["excess_pct"]), interval(row["excess_low_pct"], row["excess_high_pct"])
    word = wording.signal(row["signal"]).word
    return f"{row['name']:<26}{word:<17}{excess:>9} {span:<17}{limit:<10}"


def car_text(study: Study, label: str) -> str:
    """One car: what is said of it, its curve against its peers' band, what to check first.

    label: as in the study, "XXXX-XXXX". Raises InputError, nearest labels named, where the study has no such car.
    """
    own = one_car(study, label)
    return plain([*(line for spell in spells(own) for line in [*_spell_lines(spell), ""]), *_refused_lines(own)])


def _refused_lines(own: Study) -> Iterator[str]:
    """One car's logs of the quarter that could not be used, and what to do about it."""
    refused = own.quality.filter(pl.col("verdict") == "refused")
    told = [(row["date"], wording.finding(row["reason"])) for row in refused.iter_rows(named=True)]
    if told:
        listed = [f"{day or 'no date'}: {word.word} {word.meaning}" for day, word in told]
        yield from _listed("Logs that could not be used", listed)


def drill_text(drill: dict[str, Any]) -> str:
    """A drill, as `models.study_files.drill_of_store` gives it: a line a fault and size, and what they mean."""
    shown = drill_shown(drill)
    lines = textwrap.wrap(f"Faults planted in copies of this fleet's own cars, quarter {drill['quarter']}.", WIDTH)
    if drill.get("demo"):
        lines += ["All cars of this study are invented."]
    lines += ["", *(f"{row[0]:<29}" + "".join(f"{text:>10}" for text in row[1:])
                    for row in (shown.table.headings, *shown.table.rows)), ""]  # fmt: skip
    for text in (shown.sound, shown.explained, shown.law):
        lines += textwrap.wrap(text, WIDTH)
    return plain(lines)


def plain(lines: Iterable[str]) -> str:
    """Signs every terminal can show, whatever its code page."""
    text = "\n".join(line.rstrip() for line in lines).rstrip()
    return text.translate(PLAIN_SIGNS)


def _spell_lines(spell: Spell) -> Iterator[str]:
    yield f"{spell.name}  {spell.word}"
    yield from textwrap.wrap(f"{SETUP}: {spell.setup}{', ' if spell.period else ''}{spell.period}", WIDTH)
    yield ""
    if spell.limit_word:
        yield from textwrap.wrap(f"{spell.limit_word.word.capitalize()}. {spell.limit_word.meaning}", WIDTH)
    since = f", first seen {spell.since}" if spell.since else ""
    if spell.interval != UNKNOWN:
        peak = f", {spell.peak}" if spell.peak else ""
        text = f"{spell.excess} % of fuel volume against its peers over the whole rev range "
        text += f"(95 % interval {spell.interval} %){peak}{since}. "
    else:
        text = ""
    yield from textwrap.wrap(text + spell.evidence, WIDTH)
    yield from textwrap.wrap(spell.why, WIDTH)
    for event in spell.events:
        yield from textwrap.wrap(event, WIDTH, initial_indent="- ", subsequent_indent="  ")
    if spell.curve is not None:
        yield ""
        yield from curve_lines(spell.curve.chart.data["rows"])
    if spell.trend is not None:
        yield ""
        yield from _trend_lines(spell.trend.chart.data["rows"])
    for pattern in spell.patterns:
        yield ""
        yield from textwrap.wrap(f"Pattern: {pattern.word}. {pattern.seen}", WIDTH)
        yield from _listed("Commonly caused by", pattern.causes)
        yield from _listed("A qualified technician checks first", pattern.first)
    if spell.checks:
        yield ""
        yield from _listed("To be confirmed before anyone acts", [check.step for check in spell.checks])
    if new := [wish for wish in spell.next_logs if wish not in {check.step for check in spell.checks}]:
        yield ""
        yield from _listed("To log next", new)


def curve_lines(rows: pl.DataFrame) -> Iterator[str]:
    """The car's duty against its peers' band, one line a band of engine speed.

    rows: rpm, duty_pct, expected_duty_pct, peers_low_duty_pct, peers_high_duty_pct, saturated_share.
    """
    at_ceiling = [(share or 0) > CEILING_SHARE for share in rows["saturated_share"]]
    marks = "".join(CAR_AT_CEILING if top else CAR for top in at_ceiling)
    series = [
        Series("car", marks, rows["duty_pct"].to_list()),
        Series("peers", EXPECTED, rows["expected_duty_pct"].to_list()),
    ]
    band = rows["peers_low_duty_pct"].to_list(), rows["peers_high_duty_pct"].to_list()
    lines = list(chart_lines(rows["rpm"].to_list(), series, band))
    if lines:
        car = f"{CAR} this car, {CAR_AT_CEILING} at its ceiling"
        yield f"duty (%): {BAND * 3} 95 of 100 peers, {EXPECTED} they need, {car}"
    yield from lines


def _trend_lines(rows: pl.DataFrame) -> Iterator[str]:
    yield from textwrap.wrap(SINGLE_LOGS, WIDTH)
    yield (f"{'log of':<12}{'pulls':>6}{'excess %':>10}  {'95 % interval':<18}{'dropouts':>9}{'rail deficits':>14}")
    for row in rows.iter_rows(named=True):
        span = interval(row["excess_low_pct"], row["excess_high_pct"])
        deficits = UNKNOWN if row["rail_deficits"] is None else row["rail_deficits"]
        yield (
            f"{row['date'].isoformat():<12}{row['pulls']:>6}{signed(row['excess_pct']):>10}  {span:<18}"
            f"{row['dropouts']:>9}{deficits:>14}"
        )


def _listed(title: str, items: list[str] | tuple[str, ...]) -> Iterator[str]:
    yield f"{title}:"
    for item in items:
        yield from textwrap.wrap(item, WIDTH, initial_indent="- ", subsequent_indent="  ")
