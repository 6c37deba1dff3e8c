"""SQL from files: every query says what a row is and in which order; a failure shows what it was about."""

from importlib.resources import files

import polars as pl
import pytest

from models.queries import run_query, text_of

NAMES = sorted(
    entry.name.removesuffix(".sql") for entry in files("models.sql").iterdir() if entry.name.endswith(".sql")
)


@pytest.mark.parametrize("name", NAMES)
def test_a_query_says_what_a_row_is_and_ends_in_its_order(name: str) -> None:
    lines = text_of(name).strip().splitlines()
    assert lines[0].startswith("-- one row ")
    assert lines[-1].startswith("order by ")


def test_a_failure_shows_the_file_the_tables_and_the_text() -> None:
    with pytest.raises(RuntimeError) as caught:
        run_query("baselines", observations=pl.DataFrame({"setup": ["a"]}), other=pl.DataFrame({"x": [1]}))
    message = str(caught.value)
    assert "sql/baselines.sql on observations, other" in message
    assert "band_rpm" in message  # the column it misses
    assert text_of("baselines") in message


def test_a_query_that_is_not_there_is_named() -> None:
    with pytest.raises(FileNotFoundError, match="no_such_query"):
        run_query("no_such_query")
