"""The drill: what it plants comes back by formulas written out here, and it counts what it says it counts."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest

from models import drill as drill_file
from models.design_matrix import Rows
from models.drill import DRILL, Drill, DrillRule, Fault, drill, faults, four_numbers_of, plant, plant_dropouts
from models.engine_speed import car_basis
from models.evidence import combine_p, directions, one_sided_p, template_z, templates
from models.excess import SLOPE, FourNumbers, SpreadPrior, estimate
from models.power import power
from models.variances import Noise, unmeasured, within
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

Array = np.ndarray[Any, np.dtype[np.float64]]
Drilled = Callable[..., Drill]

TODAY = date(2026, 11, 25)
START = date(2026, 7, 1)
CEILING_PCT = 97.5
BANDS_RPM = np.arange(2250.0, 6750.0, 250.0)


@pytest.fixture(scope="module")
def fleet() -> DirectFleet:
    return direct_cells(24, 1)


@pytest.fixture(scope="module")
def drilled(fleet: DirectFleet) -> Drilled:
    """Drill a fleet, by default the one above."""

    def run(rule: DrillRule, fleet: DirectFleet = fleet, **also: Any) -> Drill:
        tables = (fleet.cells, fleet.pulls, fleet.ledger, fleet.roster)
        return drill(*tables, quarter="2026Q3", rule=rule, today=TODAY, **also)

    return run


# ---- planting


def volume(duty_pct: Array, round_share: float) -> Array:
    """Delivered share of a stroke: geometry of a sine lobe, delivery ending at top dead centre; or a straight line."""
    d = duty_pct / 100
    return (1 - round_share) * d + round_share * (1 - np.cos(np.pi * d)) / 2


def cells_of(duty_pct: float, days: tuple[int, ...] = (0, 91)) -> pl.DataFrame:
    """A band each 250 1/min on some days of the quarter, all at one duty."""
    days_of_rows = np.repeat(days, len(BANDS_RPM))
    return pl.DataFrame(
        {
            "engine_speed_rpm": np.tile(BANDS_RPM, len(days)),
            "date": [START + (date(2026, 7, 2) - START) * int(day) for day in days_of_rows],
            "duty_pct": duty_pct,
            "duty_max_pct": duty_pct + 0.4,
            "duty_top_share": 0.2,
        }
    )


def extra_volume(fault: Fault, duty_pct: float, round_share: float) -> tuple[Array, Array]:
    """More volume for each row of day 0 and of day 91, as a share."""
    before = cells_of(duty_pct)
    after = plant(before, fault, round_share, CEILING_PCT, START)
    ratio = volume(after["duty_pct"].to_numpy(), round_share) / volume(before["duty_pct"].to_numpy(), round_share)
    first, last = (ratio - 1).reshape(2, -1)
    return first, last


@pytest.mark.parametrize("round_share", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("size_pct", [5.0, 20.0])
def test_the_planted_volume_comes_back_through_the_law(size_pct: float, round_share: float) -> None:
    whole = size_pct / 100
    first, last = extra_volume(Fault("all_speeds", size_pct), 55.0, round_share)
    assert np.r_[first, last] == pytest.approx(whole, abs=1e-5)
    # starved filling sets in at 4,500 1/min and is whole at 6,500; a leak is whole at 2,500 and gone at 5,500
    for top in extra_volume(Fault("top", size_pct), 55.0, round_share):
        assert top == pytest.approx(np.interp(BANDS_RPM, [4500, 6500], [0, whole]), abs=1e-5)
    bottom, _ = extra_volume(Fault("bottom", size_pct), 55.0, round_share)
    assert bottom == pytest.approx(np.interp(BANDS_RPM, [2500, 5500], [whole, 0]), abs=1e-5)
    first, last = extra_volume(Fault("drift", size_pct), 55.0, round_share)
    assert first == pytest.approx(0.0, abs=1e-5)
    assert last == pytest.approx(whole, abs=1e-5)


@pytest.mark.parametrize("fault", [fault for fault in faults() if fault.size_pct], ids=str)
@pytest.mark.parametrize("duty_pct", [90.0, 96.0, CEILING_PCT])
def test_the_duty_never_goes_above_the_ceiling(fault: Fault, duty_pct: float) -> None:
    before = cells_of(duty_pct).with_columns(pl.col("duty_max_pct").clip(upper_bound=CEILING_PCT))
    after = plant(before, fault, 1.0, CEILING_PCT, START)
    for column in ("duty_pct", "duty_max_pct"):
        assert after[column].max() <= CEILING_PCT + 1e-6
        assert (after[column] - before[column]).min() >= -1e-6
    stopped = after.filter(pl.col("duty_pct") >= CEILING_PCT - 1e-6)
    assert (stopped["duty_top_share"] == 1.0).all()
    assert (after.filter(pl.col("duty_pct") < CEILING_PCT - 0.01)["duty_top_share"] == 0.2).all()


def test_every_other_pull_of_a_chosen_car_drops_out() -> None:
    pulls = pl.DataFrame(
        {
            "spell": [1, 2, 1, 2, 1, 3, 3, None], "dropouts": 0, "dropouts_collapsing": 0,
            "rail_deficits": [0, 0, 0, 0, 0, None, None, 0], "lean_s": [0.0, 0, 0, 0, 0, 0.0, None, 0.0],
        },
        schema={"spell": pl.Int32, "dropouts": pl.Int32, "dropouts_collapsing": pl.Int32, "rail_deficits": pl.Int32,
                "lean_s": pl.Float64},
    )  # fmt: skip
    after = plant_dropouts(pulls, [1, 3])
    assert after["dropouts"].to_list() == [1, 0, 0, 0, 1, 1, 0, 0]
    # a rail that was not logged cannot be seen to collapse; the mixture can be seen to go lean
    assert after["dropouts_collapsing"].to_list() == [1, 0, 0, 0, 1, 0, 0, 0]
    assert after["lean_s"].to_list() == [0.3, 0, 0, 0, 0.3, 0.3, None, 0]
    assert plant_dropouts(pulls, []).equals(pulls)


# ---- what a fault does to the four numbers


def four_logs() -> Rows:
    """Rows of one spell: every band on four days of the quarter."""
    days = np.repeat([0.0, 30.0, 60.0, 90.0], len(BANDS_RPM))
    n, rpm = len(days), np.tile(BANDS_RPM, 4)
    none = np.zeros(n)
    return Rows(
        spell=np.zeros(n, int), log=np.repeat(np.arange(4), len(BANDS_RPM)), z=(rpm + 125 - 4400) / 2200,
        band=(rpm // 250).astype(int), pulls=np.ones(n), pulls_of_log=np.ones(n), day=days, in_quarter=days >= 0,
        ethanol_sd=none, unlogged_sd=none, barometer_sd=none, ln_demand=none, family=np.zeros(n, int),
        saturated=none > 0, extra_variance=none, starts=np.array([0, n]), spells=np.array([0]),
    )  # fmt: skip


@pytest.mark.parametrize("size_pct", [5.0, 20.0])
@pytest.mark.parametrize("name", ["all_speeds", "top", "bottom", "drift"])
def test_the_four_numbers_of_a_fault_are_those_the_study_would_estimate(name: str, size_pct: float) -> None:
    rows = four_logs()
    rpm, passed = 4400 + 2200 * rows.z, rows.day / 91
    share = {
        "all_speeds": np.ones_like(rpm), "top": np.clip((rpm - 4500) / 2000, 0, 1),
        "bottom": np.clip((5500 - rpm) / 3000, 0, 1), "drift": passed,
    }[name]  # fmt: skip
    unit = rows.of(0)
    residual = np.log1p(size_pct / 100 * share)
    found = estimate(rows, unit, residual, within(rows, unit, Noise()), unmeasured(rows, unit))
    foretold = four_numbers_of(Fault(name, size_pct), found.passed, found.dated)
    assert foretold == pytest.approx(found.values, abs=0.06 * np.log1p(size_pct / 100))


def test_the_four_numbers_of_a_fault_at_all_speeds_are_its_level_alone() -> None:
    assert four_numbers_of(Fault("all_speeds", 12.0), 0.4, True) == pytest.approx([np.log(1.12), 0, 0, 0], abs=1e-12)


def test_a_drift_without_dates_is_a_level_at_their_mean() -> None:
    assert four_numbers_of(Fault("drift", 12.0), 0.5, False) == pytest.approx([np.log(1.06), 0, 0, 0], abs=1e-12)
    assert four_numbers_of(Fault("drift", 12.0), 0.5, True)[SLOPE] == pytest.approx(np.log(1.12))


def test_a_leak_tilts_the_curve_down_and_starved_filling_up() -> None:
    leak, starved = (four_numbers_of(Fault(name, 12.0), 0.5, True) for name in ("bottom", "top"))
    assert leak[1] < -0.01 < 0.01 < starved[1]
    # least squares: the curve's mean over the range is the fault's
    z = np.linspace(-1, 1, 81)
    share = np.clip((4400 + 2200 * z - 4500) / 2000, 0, 1)
    assert (car_basis(z) @ starved[:3]).mean() == pytest.approx(np.log1p(0.12 * share).mean(), abs=1e-9)


# ---- power


@pytest.mark.parametrize(
    ("name", "size_pct"), [("all_speeds", 5.0), ("all_speeds", 12.0), ("top", 5.0), ("drift", 8.0)]
)
def test_power_is_the_share_of_quiet_cars_that_come_out_in_a_simulation(name: str, size_pct: float) -> None:
    # 20,000 cars of another seed than the function's own 400: standard errors .025 and .0035
    G, S, limit, freedom = SpreadPrior().covariance, 0.01**2 * np.eye(4), 0.023, 30.0
    shift = four_numbers_of(Fault(name, size_pct), 0.5, True)
    known = np.ones(20_000, bool)

    def p_of(values: Array) -> Array:
        cars = FourNumbers(values, np.tile(S, (len(values), 1, 1)), known, known, np.full(len(values), 0.5))
        z = np.column_stack([template_z(cars, G, directions(shape, cars)) for shape in templates()])
        return np.asarray(combine_p(one_sided_p(z, freedom), np.array([shape.weight for shape in templates()])))

    healthy = np.random.default_rng(5).multivariate_normal(np.zeros(4), G + S, size=20_000)
    quiet = healthy[p_of(healthy) > limit]
    known = known[: len(quiet)]
    simulated = float((p_of(quiet + shift) <= limit).mean())
    one = FourNumbers(np.zeros((1, 4)), S[None], np.ones(1, bool), np.ones(1, bool), np.full(1, 0.5))
    assert float(power(one, G, shift[None], limit, freedom)[0]) == pytest.approx(simulated, abs=0.08)


# ---- the whole drill


def test_a_fault_of_twenty_per_cent_at_all_speeds_is_found(drilled: Drilled, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drill_file, "faults", lambda: (Fault("all_speeds", 20.0),))
    runs: list[tuple[int, int]] = []
    told = drilled(DrillRule(runs=2, planted_share=0.1), progress=lambda done, total: runs.append((done, total)))
    (row,) = told.found.to_dicts()
    assert (row["fault"], row["size_pct"]) == ("all_speeds", 20.0)
    assert row["planted"] == row["action"] == row["noticed"] == 4
    assert row["expected_noticed"] == pytest.approx(4.0, abs=0.2)
    assert runs == [(1, 2), (2, 2)]
    assert told.false_actions <= 1
    assert told.sound > 20


def test_the_power_figures_agree_with_what_was_found(drilled: Drilled) -> None:
    told = drilled(DrillRule(runs=5, planted_share=0.2))
    assert (told.quarter, told.found.schema) == ("2026Q3", DRILL)
    for row in told.found.iter_rows(named=True):
        assert 0 <= row["action"] <= row["noticed"] <= row["planted"]
        assert (row["expected_noticed"] is None) == (row["fault"] == "dropouts")
    sized = told.found.drop_nulls("size_pct")
    noticed, expected, planted = (float(sized[name].sum()) for name in ("noticed", "expected_noticed", "planted"))
    assert planted >= 12
    # binomial, as if all had the mean chance: more than the true standard deviation, so a lenient bound
    sd = np.sqrt(expected * (1 - expected / planted))
    assert abs(noticed - expected) <= 3 * sd


def test_the_same_logs_give_the_same_drill(drilled: Drilled) -> None:
    small = direct_cells(12, 1)
    once, twice = (drilled(DrillRule(runs=1), small) for _ in range(2))
    assert not once.found.is_empty()
    assert once.found.equals(twice.found)
    assert (once.sound, once.false_actions) == (twice.sound, twice.false_actions)


def test_without_a_run_nothing_is_planted_nor_counted(drilled: Drilled) -> None:
    told = drilled(DrillRule(runs=0))
    assert told.found.is_empty()
    assert told.found.schema == DRILL
    assert (told.sound, told.false_actions) == (0, 0)


def test_a_fault_of_no_size_is_noticed_no_more_than_a_sound_car(
    drilled: Drilled, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drill_file, "faults", lambda: (Fault("all_speeds", 0.0),))
    (row,) = drilled(DrillRule(runs=1, planted_share=0.2), direct_cells(12, 1)).found.to_dicts()
    # the cars were chosen for having no signal, and planting nothing leaves their logs as they were
    assert (row["action"], row["noticed"], row["expected_noticed"]) == (0, 0, 0.0)


def test_cars_with_one_log_are_left_alone(fleet: DirectFleet, drilled: Drilled) -> None:
    first = fleet.ledger.group_by("label").agg(pl.col("log").min())["log"].implode()
    tables = {name: getattr(fleet, name).filter(pl.col("log").is_in(first)) for name in ("cells", "pulls", "ledger")}
    told = drilled(DrillRule(), replace(fleet, **tables))
    assert told.found.is_empty()
    assert told.sound == 0
