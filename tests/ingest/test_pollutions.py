"""Each pollution of a public benchmark of CSV reading, done to a table of our own, through our reader.

The score is that benchmark's (Vitagliano et al., PVLDB 16(8), 2023, doi 10.14778/3594512.3594518); its published
results are from 0.13 to 9.96 of 10. Ours on its own files is not known: they are not part of this project.
"""

from pathlib import Path

import pytest
from by_path import load

HERE = Path(__file__).parent


polluted = load(HERE.parent / "benchmarks" / "polluted.py")
pollutions = load(HERE / "pollutions.py")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("polluted") / "files"
    pollutions.write(folder)
    return folder


@pytest.fixture(scope="module")
def found(folder: Path) -> dict[str, tuple[dict[str, float], bool]]:
    return polluted.run(folder, sorted(path.name for path in (folder / "csv").iterdir()))


def test_every_pollution_is_there(found: dict) -> None:
    assert len(found) == 20 + 2 + 4 * (8 + 9 + 9 + 1)


def test_the_score(found: dict) -> None:
    scores = [score for score, _ in found.values()]
    assert polluted.summed(scores, [1.0] * len(scores)) > 9.9
    assert all(sum(score.values()) > 8.8 for score in scores)
    assert all(score["success"] for score in scores)


def test_no_row_is_lost_silently(folder: Path, found: dict) -> None:
    assert not any(lost for _, lost in found.values())
    touched = [name for name in found if name.startswith("row_")]
    for name in touched:
        loaded = polluted.load((folder / "csv" / name).read_bytes())
        assert loaded.rows_in == pollutions.ROWS, name


@pytest.mark.parametrize("kind", ["row_more_sep", "row_less_sep", "row_field_delimiter", "row_extra_quote"])
def test_a_damaged_row_costs_no_other_row(found: dict, kind: str) -> None:
    scores = [score for name, (score, _) in found.items() if name.startswith(kind)]
    assert len(scores) >= 4
    assert min(score["record_f1"] for score in scores) >= 83 / 84 - 1e-9
    assert min(score["header_f1"] for score in scores) == 1.0


@pytest.mark.parametrize(
    ("loaded", "clean", "expected"),
    [([["a", "b"]], [["a", "b"]], 10.0), ([["a"]], [["a", "b"]], 1 + 3 + 0 + (1 + 0.5 + 2 / 3)), ([], [["a"]], 4.0)],
)
def test_the_ten_numbers(loaded: list[list[str]], clean: list[list[str]], expected: float) -> None:
    """Worked by hand from the benchmark's definitions."""
    found = polluted.score(polluted.Loaded([["h"]], loaded), polluted.Loaded([["h"]], clean))
    assert sum(found.values()) == pytest.approx(expected)
