"""A study narrowed to one car."""

from collections.abc import Callable
from typing import Any

import pytest

from ingest.findings import InputError
from models.one_car import one_car


def test_one_car_keeps_its_own_rows_and_the_fleets_summary(studied: Callable[..., Any]) -> None:
    study = studied(24, 3).study
    label = study.cars["label"][4]
    own = one_car(study, label)
    for name in ("cars", "curves", "car_logs"):
        assert set(getattr(own, name)["label"]) == {label}
        assert getattr(own, name).height == (getattr(study, name)["label"] == label).sum()
    assert own.summary == study.summary
    assert own.baselines.equals(study.baselines)


def test_a_label_nobody_has_names_the_nearest(studied: Callable[..., Any]) -> None:
    study = studied(24, 3).study
    label = study.cars["label"][4]
    slip = label[:-1] + ("A" if label[-1] != "A" else "B")
    with pytest.raises(InputError, match=rf"{slip}: no such car in the study of 2026Q3\. Nearest label.*{label}"):
        one_car(study, slip)
