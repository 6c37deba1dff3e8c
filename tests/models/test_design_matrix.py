"""Cells to rows and columns: what is averaged, what is counted, and which column means what."""

import numpy as np
import polars as pl
import pytest
from scipy.interpolate import BSpline

from models.design_matrix import Priors, averaged, design, families, joined
from models.duty_law import delivered_share, delivered_slope
from models.engine_speed import speed_curve
from models.fleet import Material
from models.learning import Fleet


def test_one_row_a_log_band_and_saturation_and_every_cell_in_one(material: Material, arrays: Fleet) -> None:
    observed, rows = material.observations, arrays.rows
    assert len(rows.z) == observed.select("log", "band_rpm", "saturated").n_unique()
    assert int(rows.pulls.sum()) == len(observed)
    assert (np.bincount(arrays.cells.row, minlength=len(rows.z)) == rows.pulls).all()


def test_spells_lie_together_in_order(arrays: Fleet) -> None:
    rows = arrays.rows
    assert (np.diff(rows.spell) >= 0).all()
    for unit in range(rows.units):
        assert set(rows.spell[rows.of(unit)]) == {rows.spells[unit]}
    assert rows.of(rows.units - 1).stop == len(rows.z)


def test_a_rows_volume_is_the_mean_of_its_pulls(material: Material, arrays: Fleet) -> None:
    share = np.full(len(arrays.families), 0.7)
    volume = arrays.cells.volume(share, len(arrays.rows.z))
    observed = material.observations.with_columns(
        y=pl.col("duty_pct").map_batches(lambda d: pl.Series(np.log(delivered_share(d.to_numpy(), 0.7))))
        - pl.col("demand").log()
    )
    keys = ["spell", "log", "band_rpm", "saturated"]
    expected = observed.group_by(keys).agg(pl.col("y").mean()).sort(keys)
    assert volume == pytest.approx(expected["y"].to_numpy(), rel=1e-12)


def test_the_jacobian_is_the_derivative_of_the_volume(arrays: Fleet) -> None:
    n, h = len(arrays.rows.z), 1e-4
    one_each = np.flatnonzero(arrays.rows.pulls == 1)
    duty = arrays.cells.duty_pct
    steep = np.log(delivered_share(duty + h, 0.6) / delivered_share(duty - h, 0.6)) / (2 * h / 100)
    expected = np.bincount(arrays.cells.row, np.log(steep), n)
    volumes, jacobians = arrays.cells.profiles(np.array([0.2, 0.6]), n)
    assert jacobians[one_each, 1] == pytest.approx(expected[one_each], rel=1e-6)
    share = np.full(len(arrays.families), 0.6)
    assert volumes[:, 1] == pytest.approx(arrays.cells.volume(share, n), rel=1e-12)
    assert (delivered_slope(duty, 0.6) > 0).all()


def test_the_scale_of_engine_speed() -> None:
    # -1 at 2,200 and 1 at 6,600 rpm, from a band's middle
    band = pl.DataFrame({"band_rpm": [2075, 6475]})
    z = (band["band_rpm"].to_numpy() + 125 - 4400) / 2200
    assert z.tolist() == [-1.0, 1.0]


def test_the_columns_mean_what_their_names_say(arrays: Fleet) -> None:
    names, X = np.array(arrays.design.names), arrays.design.X[:]
    assert X.shape == (len(arrays.rows.z), len(names))
    curve = X[:, names == "curve"]
    assert curve.sum(axis=1) == pytest.approx(1.0)  # a B-spline basis is a partition of unity
    for pooled in ("engine", "pump", "engine x pump", "boost hardware", "calibration", "setup"):
        block = X[:, names == pooled]
        assert (block.sum(axis=1) == 1).all(), pooled
        assert set(np.unique(block)) <= {0.0, 1.0}
    demand = X[:, names == "demand"][:, 0]
    assert np.median(demand) == pytest.approx(0.0, abs=1e-12)
    assert np.corrcoef(demand, arrays.rows.ln_demand)[0, 1] == pytest.approx(1.0)


def test_only_the_partly_pooled_effects_have_a_learned_sd(arrays: Fleet) -> None:
    names = np.array(arrays.design.names)
    assert set(names[arrays.design.learned]) == {"engine x pump", "boost hardware", "calibration", "setup"}
    assert (arrays.design.prior_sd[names == "engine"] == Priors().engine).all()
    assert (arrays.design.prior_sd[names == "curve"] == Priors().free).all()
    # the physics is held more tightly than anything that is a guess
    assert arrays.design.prior_sd[names == "demand"].max() < Priors().engine_curve


def test_the_design_of_a_part_has_the_columns_of_the_whole(arrays: Fleet) -> None:
    part = arrays.frame.filter(pl.col("engine") == arrays.frame["engine"][0])[:10]
    small = design(part, like=arrays.frame)
    assert small.names == arrays.design.names
    fixed = np.array(small.names) != "demand within car"  # that is told against the car's own mean in the part
    assert small.X[:][:, fixed] == pytest.approx(arrays.design.X[part["row"].to_numpy()][:, fixed])


def test_the_speed_curve_is_scipys_cubic_spline_and_flat_outside() -> None:
    speed = np.linspace(2000, 6999, 60)
    knots = np.r_[[2000.0] * 3, np.linspace(2000, 7000, Priors().knots - 2), [7000.0] * 3]
    basis = BSpline.design_matrix(speed, knots, 3).toarray()
    assert speed_curve(speed) == pytest.approx(basis)
    assert speed_curve(np.array([500.0, 9000.0])) == pytest.approx(speed_curve(np.array([2000.0, 7000.0])))


def test_a_family_is_a_pump_with_its_calibration(material: Material) -> None:
    setups = material.observations.select("pump", "calibration").unique().sort("pump", "calibration")
    assert families(material.observations) == [f"{pump} | {calibration}" for pump, calibration in setups.rows()]


def test_nothing_observed_gives_no_rows(material: Material) -> None:
    nothing = material.observations.clear().with_columns(source=pl.lit(""))
    rows, cells, frame = joined([averaged(nothing, [])], material.window.quarter_start)
    assert (rows.units, len(cells.row), len(frame)) == (0, 0, 0)
