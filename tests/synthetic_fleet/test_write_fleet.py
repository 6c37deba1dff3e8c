"""A whole fleet on disk: repeatable, consistent, complete."""

import hashlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from synthetic_fleet import synthesize, synthesize_frames
from synthetic_fleet.cars import Car
from synthetic_fleet.true_log import true_log
from synthetic_fleet.truth import FULL_LOAD_RPM, ROSTER, TRUTH, truth


def digests(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet") / "invented"
    synthesize(folder, 24, 90, faulty_share=0.3)
    return folder


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    for name, seed in (("one", 8), ("same", 8), ("other", 9)):
        synthesize(tmp_path / name, 9, seed)
    one, same, other = (digests(tmp_path / n) for n in ("one", "same", "other"))
    assert one == same
    logs = {d for name, d in one.items() if name.startswith("logs")}
    assert not logs & set(other.values())


def test_every_car_has_its_folder_of_dated_logs(fleet: Path) -> None:
    roster = pl.read_csv(fleet / "roster.csv")
    folders = {p.name for p in (fleet / "logs").iterdir()}
    assert folders == set(roster["car"])
    for folder in (fleet / "logs").iterdir():
        assert 2 <= len(list(folder.iterdir())) <= 6
    sizes = [p.stat().st_size for p in fleet.glob("logs/*/*.csv")]
    assert 50_000 < np.median(sizes) < 220_000


def test_it_says_that_it_is_invented(fleet: Path) -> None:
    assert (fleet / "README.txt").read_text("utf-8").startswith("An invented fleet: no car, owner, engine, pump")


def test_roster_and_truth_have_the_declared_columns(fleet: Path) -> None:
    assert pl.read_csv(fleet / "roster.csv").columns == list(ROSTER)
    assert pl.read_csv(fleet / "truth.csv").columns == list(TRUTH)


def test_roster_and_truth_tell_of_the_same_spells(fleet: Path) -> None:
    roster, truth = pl.read_csv(fleet / "roster.csv"), pl.read_csv(fleet / "truth.csv")
    assert roster.select("car", "since", "until").rows() == truth.select("car", "spell_since", "spell_until").rows()
    right = truth["fault"].is_null() | (truth["fault"] != "wrong_roster")
    parts = ["engine", "pump", "boost_hardware", "calibration"]
    assert roster.filter(right).select(parts).equals(truth.filter(right).select(parts))
    sound = truth.filter(pl.col("fault").is_null())
    assert sound.select((pl.col("excess_pct") - pl.col("excess_healthy_pct")).abs().max()).item() == 0.0
    assert sound["severity_pct"].to_list() == [0.0] * sound.height
    assert sound["fault_from"].null_count() == sound.height


def test_the_stated_excess_is_what_the_true_logs_ask_for() -> None:
    seen: dict[str, list[float]] = {}
    stated: dict[str, float] = {}
    for car, log, _ in synthesize_frames(14, 17, faulty_share=0.6):
        if len(car.spells) > 1 or log.spell.fault.kind == "hot_feed":
            continue
        frame = log.frame.filter(pl.col("pull") > 0)
        rpm = frame["engine_speed_rpm"].to_numpy()
        more = np.exp(frame["own_log"].to_numpy() + frame["fault_log"].to_numpy()) - 1.0
        order = np.argsort(rpm)
        seen.setdefault(car.name, []).append(float(np.interp(FULL_LOAD_RPM, rpm[order], more[order]).mean()))
        stated[car.name] = _stated(car)
    for name, values in seen.items():
        assert 100.0 * np.mean(values) == pytest.approx(stated[name], abs=0.2), name


def _stated(car: Car) -> float:
    return float(truth([car], [true_log(car, i) for i in range(len(car.days))])["excess_pct"][0])


def test_all_wrong_arguments_are_named_at_once(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="cars: 0 is too few") as problem:
        synthesize(tmp_path / "x", 0, -1, faulty_share=1.5, physics="magic")
    text = str(problem.value)
    assert all(word in text for word in ("seed: -1", "faulty_share: 1.5", "physics: 'magic'"))
    assert not (tmp_path / "x").exists()


def test_a_fleet_is_never_written_over_another(tmp_path: Path) -> None:
    synthesize(tmp_path, 1, 1)
    before = digests(tmp_path)
    with pytest.raises(FileExistsError, match="already there"):
        synthesize(tmp_path, 1, 2)
    assert digests(tmp_path) == before


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_healthy_fleets_run_where_pumps_do(seed: int) -> None:
    duty, saturated = [], []
    for _, log, _ in synthesize_frames(40, seed, faulty_share=0.0):
        loaded = log.frame.filter((pl.col("pull") > 0) & (pl.col("engine_speed_rpm") > 3500))
        duty.append(loaded["pump_duty_pct"].to_numpy())
        saturated.append(log.saturated_share)
    everything = np.concatenate(duty)
    assert np.mean((everything > 50.0) & (everything < 92.0)) > 0.85
    assert np.mean(saturated) < 0.08


def test_the_room_knows_no_other_room() -> None:
    asked = "import sys, synthetic_fleet; print({'ingest', 'models', 'reports', 'pumpcensus'} & set(sys.modules))"
    answer = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "set()"
