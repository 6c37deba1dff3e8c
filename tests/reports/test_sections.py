"""What the sections say of a study, and in which order."""

import dataclasses

import polars as pl
import pytest

from models.schemas import NEXT_LOGS, Study
from reports import wording
from reports.cards import cards, named, spells
from reports.next_logs import next_logs
from reports.quality import quality
from reports.sections import Report, overview, report
from reports.wishes import in_words


@pytest.fixture(scope="module")
def whole(study: Study) -> Report:
    return report(study)


def test_pumps_at_their_limit_stand_first(whole: Report) -> None:
    limits = [spell.limit for spell in whole.attention]
    rank = [{"rail_short": 0, "reached": 1}.get(limit, 2) for limit in limits]
    assert rank == sorted(rank)
    assert rank[0] == 0
    signals = [spell.signal for spell in whole.attention if spell.limit_word is None]
    assert signals == sorted(signals)  # action before warning


def test_every_flagged_car_is_listed_and_no_other(study: Study, whole: Report) -> None:
    flagged = study.cars.filter(
        pl.col("signal").is_in(["action", "warning"]) | pl.col("pump_limit").is_in(["rail_short", "reached"])
    )
    assert {spell.label for spell in whole.attention} == set(flagged["label"])


def test_each_car_has_one_card(study: Study, whole: Report) -> None:
    assert [card.label for card in whole.cards] == sorted(set(study.cars["label"]))


def test_car_with_two_setups_has_one_card_with_both(study: Study) -> None:
    first = study.cars.head(1)
    again = first.with_columns(setup=pl.lit("another | pump"), spell_since=pl.date(2026, 8, 1))
    twice = dataclasses.replace(study, cars=pl.concat([first, again]))
    card, = cards(spells(twice))  # fmt: skip
    assert [spell.setup for spell in card.spells].count("another | pump") == 1
    assert named(twice.cars)["name"].n_unique() == 2


def test_overview_counts_add_up(study: Study, whole: Report) -> None:
    assert sum(tally.count for tally in whole.tallies) == study.cars.height
    for tally in whole.tallies:
        assert str(tally.count) in overview(study)


def test_cars_with_two_setups_are_said_to_count_twice(study: Study) -> None:
    assert "counts once with each" not in overview(study)
    again = study.cars.head(1).with_columns(setup=pl.lit("another | pump"), spell_since=pl.date(2026, 8, 1))
    assert "counts once with each" in overview(dataclasses.replace(study, cars=pl.concat([study.cars, again])))


def test_pumps_at_their_ceiling_are_counted_in_plain_words(study: Study) -> None:
    for share, told in ((0.0, "Never at"), (0.002, "Hardly ever at"), (0.32, "32 % of full-load bands at"), (None, "")):
        car = study.cars.head(1).with_columns(saturated_share=pl.lit(share, pl.Float64))
        (spell,) = spells(dataclasses.replace(study, cars=car))
        line = next((line for line in spell.events if "ceiling" in line), "")
        assert line == (f"{told} the pump's ceiling." if told else "")


def test_figures_have_names_of_their_own(whole: Report) -> None:
    names = [figure.name for figure in whole.figures()]
    assert len(names) == len(set(names))


def test_only_changes_are_listed(study: Study, whole: Report) -> None:
    changed = study.changes.filter(pl.col("change") != "same")
    assert len(whole.changes) == changed.height
    assert whole.unchanged == study.changes.height - changed.height


def test_car_short_of_fuel_is_never_asked_for_full_load(study: Study) -> None:
    short = set(study.cars.filter(pl.col("pump_limit") == "rail_short")["label"])
    wishes = {label: one for one in next_logs(study) for _, label in one.cars}
    assert short
    for label in short:
        assert wishes[label].wait
        assert wishes[label].wishes == (wording.wish("wait"),)


def test_every_car_with_a_wish_is_told_it_and_no_placeholder_is_left(study: Study) -> None:
    told = next_logs(study)
    assert {label for one in told for _, label in one.cars} == set(study.next_logs["label"])
    assert not [wish for one in told for wish in one.wishes if "{" in wish or "None" in wish]
    assert [one.wait for one in told] == sorted((one.wait for one in told), reverse=True)


@pytest.mark.parametrize(
    ("wish", "would_find", "signal", "last"),
    [
        ("more_logs", 9.9, "undecided", "That would decide."),
        ("more_logs", 11.0, "undecided", "That would help, and not yet decide."),
        ("more_logs", None, "warning", "That would decide, if the excess stays what it is."),
        ("log_rail", None, "warning", wording.wish("log_rail")),
    ],
)
def test_whether_it_would_decide_is_said(wish: str, would_find: float | None, signal: str, last: str) -> None:
    row = dict.fromkeys(NEXT_LOGS) | {"wish": wish, "count": 2, "would_find_pct": would_find}
    assert in_words(pl.DataFrame([row], schema=NEXT_LOGS), signal)[-1] == last
    if wish == "more_logs":
        assert in_words(pl.DataFrame([row], schema=NEXT_LOGS), signal)[0].startswith("2 more logs of three")


def test_every_refused_log_is_listed_with_its_reason(study: Study) -> None:
    told = quality(study.quality)
    refused = study.quality.filter(pl.col("verdict") == "refused")
    assert told.refused == refused.height == len(told.refusals)
    assert all(one.reason for one in told.refusals)
    assert "a code nobody knows" in {one.reason for one in told.refusals}
    assert "not on the roster" in {one.label for one in told.refusals}


def test_noted_findings_count_logs_and_cars(study: Study) -> None:
    kept = study.quality.filter(pl.col("verdict") == "kept")
    with_code = kept.filter(pl.col("findings").str.starts_with("barometer_assumed"))
    note = next(n for n in quality(study.quality).noted if n.channels == "manifold pressure")
    assert (note.logs, note.cars) == (with_code.height, with_code["label"].n_unique())


def test_baselines_draw_in_the_flagged_cars_of_their_setup(study: Study, whole: Report) -> None:
    flagged = {spell.label for spell in whole.attention}
    drawn = {name for setup in whole.setups for name in setup.figure.chart.data["cars"]["name"]}
    assert drawn == flagged
    for setup in whole.setups:
        own = set(study.cars.filter(pl.col("setup") == setup.name)["label"])
        assert set(setup.figure.chart.data["cars"]["name"]) <= own


def test_small_club_is_told_that_a_rare_setup_reveals_its_car(study: Study) -> None:
    told = dataclasses.replace(study, summary={**study.summary, "small_club": True, "rare_setups": ["vee six 3.5"]})
    assert "vee six 3.5" in report(told).privacy
    assert report(study).privacy == ""


def test_figure_not_measured_is_said_to_be_unknown(small_study: Study) -> None:
    assert {fact.value for fact in report(small_study).trust} >= {"–", "none inspected yet"}
