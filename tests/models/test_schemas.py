"""The declared tables: names that carry their units, codes that are told apart, a study that cannot be changed."""

from dataclasses import FrozenInstanceError, fields

import polars as pl
import pytest

from models import schemas
from models.schemas import BASELINES, CAR_LOGS, CARS, CHANGES, CHECKS, CURVES, NEXT_LOGS, PATTERNS, QUALITY, Study

TABLES = {
    "cars": CARS,
    "changes": CHANGES,
    "baselines": BASELINES,
    "curves": CURVES,
    "car_logs": CAR_LOGS,
    "quality": QUALITY,
    "next_logs": NEXT_LOGS,
}
UNITS = ("_pct", "_kpa", "_rpm", "_share", "_z", "_p50", "_value")


def test_every_float_says_its_unit() -> None:
    for name, schema in TABLES.items():
        bare = [column for column, dtype in schema.items() if dtype == pl.Float64 and not column.endswith(UNITS)]
        assert not bare, name


def test_codes_are_told_apart_and_can_be_joined() -> None:
    for codes in (PATTERNS, CHECKS):
        assert len(set(codes)) == len(codes)
        assert not any(";" in code or code != code.lower() for code in codes)
    assert not set(PATTERNS) & set(CHECKS)


def test_a_study_has_a_field_a_table_and_cannot_be_changed() -> None:
    assert {field.name for field in fields(Study)} == {*TABLES, "quarter", "summary"}
    study = Study("2026Q3", **{name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()}, summary={})
    with pytest.raises(FrozenInstanceError):
        study.quarter = "2026Q4"  # type: ignore[misc]


def test_every_declared_table_is_looked_at_here() -> None:
    declared = {name.lower() for name, value in vars(schemas).items() if name.isupper() and isinstance(value, dict)}
    assert declared == set(TABLES)
