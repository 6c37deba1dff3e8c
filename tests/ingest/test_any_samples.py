"""Whatever the samples are, a batch ends well and its rows add up."""

from datetime import date
from types import ModuleType

import numpy as np
import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.channels import rules
from ingest.one_batch import one_batch
from ingest.schemas import CELLS, PULLS, SAMPLES, check_columns

PLAUSIBLE = {name: rule.plausible for name, rule in rules().items()}
ODD = (np.nan, np.inf, -np.inf, 0.0, -1.0, 1e12, 55.0)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 10_000),
    rate_hz=st.sampled_from([1.0, 4.0, 10.0, 25.0]),
    spoil=st.lists(
        st.tuples(st.sampled_from(range(11)), st.floats(0, 1), st.floats(0, 0.3), st.sampled_from(ODD)), max_size=8
    ),
    length=st.floats(0, 1),
)
def test_rows_add_up_whatever_the_samples_are(
    made_up: ModuleType,
    seed: int,
    rate_hz: float,
    spoil: list[tuple[int, float, float, float]],
    length: float,
) -> None:
    channels = made_up.drive(np.random.default_rng(seed), rate_hz=rate_hz)
    whole = len(channels["time_s"])
    n = int(length * whole)
    channels = {name: values[:n].copy() for name, values in channels.items()}
    for channel, start, share, value in spoil:
        name = list(channels)[channel]
        if name == "time_s":
            value = float(np.nan_to_num(value, posinf=50.0, neginf=-50.0))  # the reader lets no row without a time by
        channels[name][int(start * n) : int((start + share) * n)] = value
    tables = one_batch([made_up.log(channels, "odd"), made_up.log(made_up.drive(np.random.default_rng(1)))], PLAUSIBLE,
                       date(2026, 11, 25))  # fmt: skip
    for row in tables.ledger.to_dicts():
        assert row["rows_in"] == row["rows_kept"] + sum(lost["rows"] for lost in row["dropped"])
        assert tables.samples.filter(pl.col("log") == row["log"]).height == row["rows_kept"]
        assert tables.pulls.filter(pl.col("log") == row["log"]).height == row["pulls"]
    assert tables.ledger["pulls"][1] == 2  # the neighbour is not touched
    for name, schema in {"samples": SAMPLES, "pulls": PULLS, "cells": CELLS}.items():
        check_columns(getattr(tables, name), schema, name)
    numbers = tables.cells.select(pl.col(pl.Float64))
    assert all(series.is_finite().all() for series in (column.drop_nulls() for column in numbers))
