"""A pump that runs out of volume, and one like its peers', from the log's samples to the signal.

The figures of the pulls are common practice and have no source. Peers, engine and everything else are invented.
"""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from ingest.many_logs import ingest_logs
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


def ingested(folder: Path, described: list[tuple[str, np.ndarray, bool]], rows: tuple[str, ...] = (",",)) -> str:
    """A store of a club of peers and the described car; that car's label.

    described: day, duty and whether the pump fails, a log each. rows: since,until of each of its roster rows.
    """
    rng = np.random.default_rng(17)
    for peer in range(PEERS):
        level = rng.normal(0, 0.02)
        for day in DAYS:
            curve = PEERS_PCT * np.exp(level + rng.normal(0, 0.008))
            write_log(folder / f"logs/peer-{peer:02d}/{day}_01.csv", rng, curve)
    for day, duty_pct, fails in described:
        write_log(folder / f"logs/described/{day}_01.csv", rng, duty_pct, fails=fails)
    cars = [*((f"peer-{peer:02d}", ",") for peer in range(PEERS)), *(("described", dates) for dates in rows)]
    lines = [f"{car},Two litre,Standard,17,{dates}" for car, dates in cars]
    (folder / "roster.csv").write_text("\n".join(["car,engine,pump,ethanol_pct,since,until", *lines]), encoding="utf-8")
    ingest_logs(folder / "logs", folder / "roster.csv", folder / "store")
    labels = pl.read_csv(folder / "store.private/labels.csv")
    return str(labels.filter(pl.col("car") == "described")["label"][0])


def studied(folder: Path, described_pct: np.ndarray, *, logs: int, fails: bool) -> tuple[Study, str]:
    """The study of a club of peers and the described car, and that car's label."""
    label = ingested(folder, [(day, described_pct, fails) for day in DAYS[:logs]])
    return study_of_store(folder / "store"), label


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


BEFORE_AND_AFTER = [
    ("2026-07-06", OUT_OF_VOLUME_PCT, True),
    ("2026-07-20", OUT_OF_VOLUME_PCT, True),
    ("2026-08-03", LIKE_ITS_PEERS_PCT, False),
    ("2026-08-10", LIKE_ITS_PEERS_PCT, False),
]


@pytest.fixture(scope="module")
def repaired(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The same car before and after a new pump of the same kind, on the same tank of E17; store and label."""
    folder = tmp_path_factory.mktemp("repaired")
    return folder / "store", ingested(folder, BEFORE_AND_AFTER, (",2026-07-31", "2026-08-01,"))


def test_a_pump_out_of_volume_and_its_successor_compare_as_better(repaired: tuple[Path, str], at_once: Any) -> None:
    store, label = repaired
    ending = at_once("compare", label, "--store", store, "--json")
    told = json.loads(ending.stdout)
    assert (ending.returncode, told["verdict"], told["label"]) == (0, "better", label)
    assert told["before_peak_duty_pct"] == pytest.approx(99.99, abs=0.01)
    assert told["after_peak_duty_pct"] <= 65.0  # 64, and a sample's noise
    assert told["top_drop_points"] == pytest.approx(35, abs=3)
    assert told["change_low_pct"] < told["change_pct"] < told["change_high_pct"] < 0
    assert (told["before"]["dropouts"], told["after"]["dropouts"]) == (6, 0)
    assert told["before"]["saturated_share"] > 0.05
    assert told["after"]["saturated_share"] == 0
    # by hand: both laws of the trade notes at the two duties; a round lobe and a straight line hold what is said
    before, after = told["top_before_duty_pct"] / 100, told["top_after_duty_pct"] / 100
    straight = 100 * (after / before - 1)
    lobe = 100 * ((1 - np.cos(np.pi * after)) / (1 - np.cos(np.pi * before)) - 1)
    assert straight - 0.5 <= told["top_volume_change_pct"] <= lobe + 0.5
    assert (told["before"]["ethanol_measured"], told["before"]["ethanol_pct"]) == (True, pytest.approx(17, abs=0.2))


def test_two_ranges_say_the_same_as_two_roster_rows(repaired: tuple[Path, str], at_once: Any) -> None:
    store, label = repaired
    ranges = ("--before", "2026-07-01..2026-07-31", "--after", "2026-08-01..2026-08-31")
    told = [json.loads(at_once("compare", label, "--store", store, *how, "--json").stdout) for how in ((), ranges)]
    assert told[0] == told[1]


def test_the_terminal_states_the_drop_and_what_it_is_in_volume(repaired: tuple[Path, str], at_once: Any) -> None:
    store, label = repaired
    ending = at_once("compare", label, "--store", store)
    assert ending.stdout.startswith(f"{label}: better")
    assert max(map(len, ending.stdout.splitlines())) <= 80
    said = " ".join(ending.stdout.split())
    assert re.search(r"the duty fell by 3[2-8]\.\d points at the same demand", said)
    assert re.search(r"By the duty law that is at least [23]\d\.\d % less volume", said)
