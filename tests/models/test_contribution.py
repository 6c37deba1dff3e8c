"""What leaves a club: no setup with few cars, nothing that follows from totals, labels of one file, values rounded."""

from datetime import date
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from ingest.labels import Key
from ingest.schemas import CONTRIBUTION, VARIOUS, check_columns
from models.contribution import SETUP, Contribution, SharingRule, contribution, published
from models.demand import demand
from models.fleet import window
from synthetic_fleet.direct_cells import DirectFleet, direct_cells

TODAY = date(2026, 11, 25)
QUASI = [*SETUP, "quarter"]


@pytest.fixture(scope="module")
def fleet() -> DirectFleet:
    return direct_cells(34, 902)


def given(fleet: DirectFleet, secret: int = 1) -> Contribution:
    when = window("2026Q3", fleet.ledger, TODAY)
    return contribution(fleet.cells, fleet.roster, when, "CAB0-0000", Key(bytes([secret]) * 32))


def k_anonymity(cells: pl.DataFrame) -> int:
    """Cars in the smallest group that agrees in setup and quarter (Sweeney 2002, doi 10.1142/S0218488502001648).

    `pycanon.anonymity.k_anonymity` of a row a car is the same figure, as a test below shows where it is installed:
    pycanon 1.3.6 pins older numpy, scipy and typer than this project runs with, so it is not among its own tools.
    """
    return int(cells.select("car", *QUASI).unique().group_by(QUASI).len()["len"].min())  # type: ignore[arg-type]


def club(counts: dict[tuple[str, str, str, str], int]) -> pl.DataFrame:
    rows = [(f"{n}-{i}", *setup, False) for n, (setup, cars) in enumerate(counts.items()) for i in range(cars)]
    return pl.DataFrame(rows, schema=["label", *SETUP], orient="row")


def test_at_least_ten_cars_share_each_published_setup(fleet: DirectFleet) -> None:
    assert k_anonymity(given(fleet).cells) >= 10


def test_another_program_counts_as_many(fleet: DirectFleet) -> None:
    anonymity = pytest.importorskip("pycanon.anonymity")
    frame = pytest.importorskip("pandas").DataFrame
    cells = given(fleet).cells
    for some in (cells, cells.filter(pl.col("car") != cells["car"][0])):
        cars = some.select("car", *QUASI).unique()
        assert anonymity.k_anonymity(frame(cars.to_dict(as_series=False)), QUASI) == k_anonymity(some)


@pytest.mark.parametrize("seed", range(20))
def test_no_group_is_small_whatever_the_club(seed: int) -> None:
    rng = np.random.default_rng(seed)
    words = [
        (f"E{rng.integers(3)}", f"P{rng.integers(2)}", f"B{rng.integers(2)}", f"K{rng.integers(3)}") for _ in range(9)
    ]
    cars = club({setup: int(rng.integers(1, 16)) for setup in words})
    sent, setups = published(cars, 10)
    groups = sent.group_by([f"as_{name}" for name in SETUP]).agg(pl.col("label").n_unique().alias("n"))
    assert (groups["n"] >= 10).all()
    assert sent.height + setups.filter(pl.col("published_as") == "")["cars"].sum() == cars.height
    left = setups.filter(pl.col("published_as") == "")
    assert left.height != 1 or sent.is_empty()
    for _, kin in left.group_by("engine", "pump"):  # none that alone stays beside others of its engine and pump
        beside = sent.join(kin, on=["engine", "pump"], how="semi")
        assert kin.height != 1 or beside.is_empty()


def test_small_setups_are_merged_step_by_step() -> None:
    cars = club(
        {
            ("E", "P", "B", "K1"): 12,
            ("E", "P", "B", "K2"): 6,
            ("E", "P", "B", "K3"): 5,
            ("E", "Q", "B1", "K"): 7,
            ("E", "Q", "B2", "K"): 4,
        }
    )
    _, setups = published(cars, 10)
    assert setups.sort(SETUP)["published_as"].to_list() == [
        "E | P | B | K1",
        f"E | P | B | {VARIOUS}",
        f"E | P | B | {VARIOUS}",
        f"E | Q | {VARIOUS} | {VARIOUS}",
        f"E | Q | {VARIOUS} | {VARIOUS}",
    ]


def test_what_stays_does_not_follow_from_the_total() -> None:
    alone = club({("E", "P", "B", "K1"): 15, ("E", "P", "B", "K2"): 12, ("F", "P", "B", "K"): 3})
    _, setups = published(alone, 10)
    assert setups["published_as"].to_list() == ["", "", ""]
    kin = club({("E", "P", "B", "K1"): 15, ("E", "P", "B", "K2"): 12, ("E", "P", "C", "K1"): 3})
    _, setups = published(kin, 10)
    assert setups["published_as"].to_list() == ["E | P | B | K1", *[f"E | P | {VARIOUS} | {VARIOUS}"] * 2]


def test_labels_are_of_one_file_and_of_no_report(fleet: DirectFleet) -> None:
    first, second = (set(given(fleet, secret).cells["car"]) for secret in (1, 2))
    assert len(first) == len(second) == 34
    assert not first & second
    assert not first & set(fleet.roster["label"])


def test_nothing_but_the_declared_columns_leaves_and_no_day(fleet: DirectFleet) -> None:
    cells = given(fleet).cells
    check_columns(cells, CONTRIBUTION, "contribution")
    assert cells.columns == list(CONTRIBUTION)
    assert pl.Date not in cells.dtypes
    text = cells.write_csv()
    assert not [label for label in fleet.roster["label"] if label in text]
    assert "2026-" not in text


def test_of_a_car_only_so_much_leaves(fleet: DirectFleet) -> None:
    cells = given(fleet).cells
    assert cells["log"].max() == SharingRule().logs_max
    assert cells.group_by("car").agg(pl.col("log").n_unique())["log"].max() <= SharingRule().logs_max
    assert cells["pull"].max() <= SharingRule().pulls_max


def test_rows_stand_in_no_order_of_the_club(fleet: DirectFleet) -> None:
    cars = given(fleet).cells["car"].unique(maintain_order=True)
    assert any(a > b for a, b in pairwise(cars)) or len(cars) < 3  # by setup, then by a label of chance


def test_rounding_costs_less_than_a_healthy_cars_own_spread() -> None:
    """Rounding to a step s has standard deviation s / sqrt(12); carried through the demand's physics, a cell: [%]"""
    rng, n, rule = np.random.default_rng(5), 20_000, SharingRule()
    exact = {
        "manifold_pressure_kpa": rng.uniform(150, 260, n),
        "intake_air_c": rng.normal(38, 8, n),
        "lambda_ratio": rng.normal(0.85, 0.02, n),
        "ethanol_pct": rng.uniform(0, 85, n),
    }
    rounded = {name: (values / (step := getattr(rule, name))).round() * step for name, values in exact.items()}
    cost = {
        name: 100 * float(np.std(np.log(demand(**(exact | {name: rounded[name]})) / demand(**exact)))) for name in exact
    }
    assert cost["ethanol_pct"] == pytest.approx(0.6, abs=0.1)
    assert cost["manifold_pressure_kpa"] == pytest.approx(0.72, abs=0.1)
    assert cost["intake_air_c"] < 0.3
    assert cost["lambda_ratio"] < 0.4
    everything = 100 * float(np.std(np.log(demand(**rounded) / demand(**exact))))
    assert everything < 1.2  # healthy cars differ by about 3 % (models/excess.py), a healthy cell by 1.2 %
