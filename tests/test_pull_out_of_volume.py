"""A pump that runs out of volume, and one like its peers', from the log's samples to the signal.

The figures of the pulls are common practice and have no source. Peers, engine and everything else are invented.
"""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from ingest import ingest_logs
from models.schemas import Study
from models.study_files import study_of_store

RATE_HZ = 20.0
PULL_RPM = np.linspace(2000.0, 6620.0, round(8.0 * RATE_HZ))
# 65 % at 2,100, 90 at 5,000, nought for a moment at 5,200, then 91.9 rising to 99.99 from 6,000 to 6,600
OUT_OF_VOLUME_PCT = np.interp(PULL_RPM, [2000, 2100, 5000, 5300, 5990, 6000], [64.5, 65.0, 90.0, 91.9, 99.9, 99.99])
LIKE_ITS_PEERS_PCT = np.interp(PULL_RPM, [2000, 2400, 5700, 6620], [57.5, 59.6, 64.0, 62.0])
PEERS_PCT = np.interp(PULL_RPM, [2000, 2400, 4000, 5700, 6620], [56.0, 59.0, 62.5, 63.5, 61.0])
PEERS, DAYS = 14, ("2026-07-06", "2026-07-20", "2026-08-03")


def pull(rng: np.random.Generator, duty_pct: np.ndarray, fails: bool) -> dict[str, np.ndarray]:
    """One full-load pull in fourth gear; where the pump fails, the rail goes with it. 4 samples make 0.2 s."""
    duty = np.clip(duty_pct + rng.normal(0, 0.25, len(PULL_RPM)), 0, 99.99)
    rail = 180.0 + rng.normal(0, 1.0, len(PULL_RPM))
    if fails:
        lost = int(np.searchsorted(PULL_RPM, 5200.0))
        duty[lost : lost + 4] = 0.2
        rail[lost + 1 : lost + 8] = [150.0, 110.0, 75.0, 80.0, 120.0, 155.0, 170.0]
        duty[PULL_RPM >= 6000] = 99.99
        rail[PULL_RPM >= 6100] -= 25.0
    return {"rpm": PULL_RPM, "duty": duty, "rail": rail, "pedal": np.full(len(PULL_RPM), 100.0)}


def resting(seconds: float) -> dict[str, np.ndarray]:
    n = round(seconds * RATE_HZ)
    return {"rpm": np.full(n, 2000.0), "duty": np.full(n, 22.0), "rail": np.full(n, 90.0), "pedal": np.full(n, 15.0)}


def write_log(path: Path, rng: np.random.Generator, duty_pct: np.ndarray, *, fails: bool = False) -> None:
    """Three pulls, written as clean delimited text with the ethanol measured."""
    parts = [part for _ in range(3) for part in (resting(5.0), pull(rng, duty_pct, fails))] + [resting(5.0)]
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    full, n = joined["pedal"] > 50, len(joined["rpm"])
    frame = pl.DataFrame(
        {
            "Time [s]": np.arange(n) / RATE_HZ,
            "Engine speed [rpm]": np.round(joined["rpm"] + rng.normal(0, 4, n)),
            "HP fuel pump duty [%]": joined["duty"],
            "Manifold pressure absolute [kPa]": np.where(full, 200.0, 60.0) + rng.normal(0, 0.4, n),
            "Rail pressure [bar]": joined["rail"],
            "Rail pressure target [bar]": np.where(full, 180.0, 90.0),
            "Lambda": np.where(full, 0.85, 1.0) + rng.normal(0, 0.002, n),
            "Intake air temperature [degC]": np.full(n, 32.0),
            "Ethanol content [%]": np.full(n, 17.0) + rng.normal(0, 0.1, n),
            "Accelerator pedal [%]": joined["pedal"],
            "Gear": np.full(n, 4),
        }
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    frame.with_columns(pl.selectors.float().round(2)).write_csv(path)


def studied(folder: Path, described_pct: np.ndarray, *, logs: int, fails: bool) -> tuple[Study, str]:
    """The study of a club of peers and the described car, and that car's label."""
    rng = np.random.default_rng(17)
    for peer in range(PEERS):
        level = rng.normal(0, 0.02)
        for day in DAYS:
            curve = PEERS_PCT * np.exp(level + rng.normal(0, 0.008))
            write_log(folder / f"logs/peer-{peer:02d}/{day}_01.csv", rng, curve)
    for day in DAYS[:logs]:
        write_log(folder / f"logs/described/{day}_01.csv", rng, described_pct, fails=fails)
    cars = ["described", *(f"peer-{peer:02d}" for peer in range(PEERS))]
    (folder / "roster.csv").write_text(
        "car,engine,pump,ethanol_pct\n" + "".join(f"{car},Two litre,Standard,17\n" for car in cars), encoding="utf-8"
    )
    ingest_logs(folder / "logs", folder / "roster.csv", folder / "store")
    labels = pl.read_csv(folder / "store.private/labels.csv")
    return study_of_store(folder / "store"), str(labels.filter(pl.col("car") == "described")["label"][0])


@pytest.mark.parametrize(("logs", "signal"), [(2, "action"), (1, "warning")])
def test_a_pump_out_of_volume_is_told_and_one_log_alone_does_not_decide(tmp_path: Path, logs: int, signal: str) -> None:
    study, label = studied(tmp_path, OUT_OF_VOLUME_PCT, logs=logs, fails=True)
    row = study.cars.row(by_predicate=pl.col("label") == label, named=True)
    assert row["signal"] == signal
    assert row["pulls"] == 3 * logs
    assert row["dropouts"] == 3 * logs
    assert row["pump_limit"] == "rail_short"
    assert row["saturated_share"] > 0
    assert {"dropouts_rail_collapses", "out_of_volume"} <= set(row["pattern"].split(";"))
    assert "ethanol_not_measured" not in row["check_first"]
    assert study.cars.filter(pl.col("label") != label)["signal"].is_in(["clear", "undecided"]).all()


def test_a_pump_like_its_peers_is_shown_as_such(tmp_path: Path) -> None:
    study, label = studied(tmp_path, LIKE_ITS_PEERS_PCT, logs=2, fails=False)
    row = study.cars.row(by_predicate=pl.col("label") == label, named=True)
    assert (row["signal"], row["pump_limit"], row["pattern"]) == ("clear", "none", "")
