"""Cells by way of logs and reading them give the same study as cells taken from what truly happened.

So a benchmark on cells, which is quick, speaks for the whole job as far as reading goes.
"""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from ingest.many_logs import ingest_logs
from ingest.schemas import CELLS, LEDGER, PULLS
from ingest.store import Store
from models.schemas import Study
from models.study import run_study
from synthetic_fleet import synthesize, synthesize_frames
from synthetic_fleet.cars import Car
from synthetic_fleet.true_log import TrueLog

pytestmark = pytest.mark.slow

CARS, SEED = 16, 515
TODAY = date(2026, 11, 25)
TIP_IN_S = 1.0  # duty, boost and rail settle; true frames have no lag to wait for beyond that


def true_cells(car: Car, log: TrueLog, label: str) -> pl.DataFrame:
    """The plain way: samples of each pull by band of 250 rpm, geometric means; what the car does not log is missing."""
    samples = log.frame.filter(pl.col("pull") > 0).filter(
        pl.col("time_s") > pl.col("time_s").min().over("pull") + TIP_IN_S, ~pl.col("stuck")
    )
    duty, pressure = pl.col("pump_duty_pct"), pl.col("manifold_pressure_kpa")

    def logged(channel: str) -> pl.Expr:
        return pl.col(channel).mean() if channel in car.channels else pl.lit(None, pl.Float64)

    lam = pl.col("lambda_ratio").log().mean().exp() if "lambda_ratio" in car.channels else pl.lit(None, pl.Float64)
    band = (pl.col("engine_speed_rpm") // 250 * 250).cast(pl.Int32)
    cells = samples.group_by("pull", band.alias("band_rpm"), maintain_order=True).agg(
        samples=pl.len().cast(pl.Int32),
        engine_speed_rpm=pl.col("engine_speed_rpm").mean(),
        duty_pct=duty.log().mean().exp(),
        duty_max_pct=duty.max(),
        duty_top_share=(duty >= duty.max() - 0.3).mean(),
        manifold_pressure_kpa=pressure.log().mean().exp(),
        pressure_log_sd=pressure.log().std(ddof=0),
        boost_kpa=(pressure - pl.col("barometric_pressure_kpa")).mean(),
        lambda_ratio=lam,
        **{name: logged(name) for name in ("intake_air_c", "ethanol_pct", "rail_pressure_bar")},
    )
    tags = {"log": f"{label} {log.day} {log.number}", "label": label, "date": log.day}
    return filled(cells.filter(pl.col("samples") >= 3).with_columns(**{k: pl.lit(v) for k, v in tags.items()}), CELLS)


def filled(frame: pl.DataFrame, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    """The frame with every column of a schema; what is not there is missing."""
    have = [pl.col(n) if n in frame.columns else pl.lit(None).alias(n) for n in schema]
    return frame.select(have).cast(schema)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Study]:
    """The study of the written logs, and that of the true frames."""
    club = tmp_path_factory.mktemp("club")
    synthesize(club, CARS, SEED, faulty_share=0.2, physics="straight")
    ingest_logs(club / "logs", club / "roster.csv", club / "store")
    store = Store(club / "store")
    tables = [lazy.collect() for lazy in (store.cells(), store.pulls(), store.ledger())]
    read = run_study(*tables, store.roster(), "2026Q3", today=TODAY)
    labels = dict(pl.read_csv(Path(f"{club / 'store'}.private") / "labels.csv").select("car", "label").iter_rows())
    fleet = synthesize_frames(CARS, SEED, faulty_share=0.2, physics="straight")
    cells = pl.concat([true_cells(car, log, labels[car.name]) for car, log, _ in fleet])
    pulls = filled(cells.select("log", "label", "date", "pull").unique(maintain_order=True), PULLS).with_columns(
        dropouts=pl.lit(0, pl.Int32), dropouts_collapsing=pl.lit(0, pl.Int32)
    )
    logs = pulls.group_by("log", "label", "date").agg(pulls=pl.len()).with_columns(verdict=pl.lit("kept"))
    ledger = filled(logs, LEDGER).with_columns(pl.col("findings", "dropped").fill_null([]))
    return read, run_study(cells, pulls, ledger, store.roster(), "2026Q3", today=TODAY)


def test_both_ways_give_each_car_the_same_excess(both: tuple[Study, Study]) -> None:
    """On average within a fifth of the healthy spread between cars (2.7 %), and never beyond the whole of it."""
    read, true = (
        s.cars.filter(pl.col("pulls") > 0).select("label", "spell_since", "excess_pct", "pulls") for s in both
    )
    beside = read.join(true, on=["label", "spell_since"], nulls_equal=True, suffix="_true", validate="1:1")
    assert beside.height == read.height == true.height >= CARS
    away = (beside["excess_pct"] - beside["excess_pct_true"]).abs()
    assert away.mean() < 0.54
    assert away.max() < 2.7
    assert beside["excess_pct_true"].std() > 3 * away.mean()  # there was something to agree on


def test_both_ways_read_the_same_duty(both: tuple[Study, Study]) -> None:
    read, true = (s.curves.select("label", "spell_since", "band_rpm", "duty_pct") for s in both)
    beside = read.join(true, on=["label", "spell_since", "band_rpm"], nulls_equal=True, suffix="_true")
    assert beside.height > 0.9 * max(read.height, true.height)
    beside = beside.filter(pl.col("band_rpm") >= 3500)  # below, boost builds up and it matters where a pull begins
    away = beside["duty_pct"] / beside["duty_pct_true"] - 1
    assert abs(away.median()) < 0.002
    assert away.abs().quantile(0.9) < 0.01
