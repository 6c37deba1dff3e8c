"""How well our recogniser reads polluted CSV files, by the score of a public benchmark of data loading.

python tests/benchmarks/polluted.py [FOLDER] [--out FILE]

FOLDER is a copy of the benchmark's polluted_files (Vitagliano et al., PVLDB 16(8), 2023, doi 10.14778/3594512.3594518),
which is not part of this project: `csv/` holds the polluted files, `clean/` a clean version of each under the same
name (every cell quoted, line feeds), `parameters/NAME_parameters.json` says how many header lines it has. Weights
lie beside FOLDER or in it as pollock_weights.json: file -> weight. Without FOLDER: the pollutions of a table of our own
(tests/ingest/pollutions.py), on which the recogniser was made.

Ten numbers from 0 to 1 a file: success; precision, recall and F1 of the header's cells, of the records and of the
cells, as multisets against the clean version. Each is averaged over the files, and the ten are summed: 0 to 10. The
weighted score weighs the files before. Cells are compared as they stand, dates and prices not made alike. It is
also counted whether rows were lost without being told.
"""

import argparse
import csv
import importlib.util
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

HOUSE = Path(__file__).parents[2]
sys.path.insert(0, str(HOUSE))

from ingest.read_text import TextSource, open_text  # noqa: E402
from ingest.rows import cells_of  # noqa: E402

Rows = list[list[str]]
PARTS = (
    "success",
    *(f"{part}_{what}" for part in ("header", "record", "cell") for what in ("precision", "recall", "f1")),
)


@dataclass(frozen=True)
class Loaded:
    """header: rows of names. rows_in, told: rows of the file, and whether every one is kept or said to be lost."""

    header: Rows
    records: Rows
    rows_in: int = 0
    told: bool = True


def load(content: bytes) -> Loaded | None:
    """The header and the data rows as our reader sees them; None where it finds no table. An empty file is one."""
    if not content.strip():
        return Loaded([], [])
    source = open_text(content)
    if not isinstance(source, TextSource):
        return None
    records, sorted_out, dialect = source.sorted_records()
    rows = [cells_of(records, index, dialect) for index in sorted_out.kept.tolist()]
    told = sorted_out.rows_in == len(rows) + sum(sorted_out.dropped.values())
    names = [f"{name} [{unit}]" if unit else name for name, unit in zip(dialect.names, dialect.units, strict=True)]
    names = names if dialect.header_line >= 0 else []
    return Loaded([names] if names else [], rows, sorted_out.rows_in, told)


def clean_version(folder: Path, name: str) -> Loaded:
    with (folder / "clean" / name).open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.reader(file) if row]
    parameters = folder / "parameters" / f"{name}_parameters.json"
    lines = json.loads(parameters.read_text(encoding="utf-8")).get("header_lines", 1) if parameters.exists() else 1
    return Loaded(rows[:lines], rows[lines:])


def score(loaded: Loaded | None, clean: Loaded) -> dict[str, float]:
    """The ten numbers."""
    if loaded is None:
        return dict.fromkeys(PARTS, 0.0)
    measures = [1.0]
    for part in (_header_cells, _records, _cells):
        measures += _precision_recall_f1(part(loaded), part(clean))
    return dict(zip(PARTS, measures, strict=True))


def _header_cells(one: Loaded) -> Counter[str]:
    return Counter(cell for row in one.header for cell in row)


def _records(one: Loaded) -> Counter[str]:
    return Counter("".join(cell or "null" for cell in row) for row in one.records)


def _cells(one: Loaded) -> Counter[str]:
    return Counter(cell for row in one.records for cell in row)


def _precision_recall_f1(loaded: Counter[str], clean: Counter[str]) -> tuple[float, float, float]:
    """As the benchmark has it: all ones where the clean version has none."""
    if not clean:
        return 1.0, 1.0, 1.0
    both = (loaded & clean).total()
    if not both:
        return 0.0, 0.0, 0.0
    precision, recall = both / loaded.total(), both / clean.total()
    return precision, recall, 2 * precision * recall / (precision + recall)


def summed(scores: Sequence[dict[str, float]], weights: Sequence[float]) -> float:
    """Sum over the ten of their weighted mean over the files."""
    return sum(
        sum(one.values()) * weight for one, weight in zip(scores, weights, strict=True)
    ) / sum(weights)  # fmt: skip


def run(folder: Path, names: Iterable[str]) -> dict[str, tuple[dict[str, float], bool]]:
    """The ten numbers of each file, and whether rows were lost silently."""
    found = {}
    for name in names:
        loaded = load((folder / "csv" / name).read_bytes())
        found[name] = score(loaded, clean_version(folder, name)), loaded is not None and not loaded.told
    return found


def write_own(folder: Path) -> Path:
    """`folder` with the pollutions of our own table."""
    spec = importlib.util.spec_from_file_location("pollutions", HOUSE / "tests/ingest/pollutions.py")
    assert spec
    assert spec.loader
    pollutions = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(pollutions)
    pollutions.write(folder)
    return folder


def summary(folder: Path) -> dict[str, object]:
    """Scores over all files of a folder, rows lost silently, and the files with the lowest scores."""
    names = sorted(path.name for path in (folder / "csv").iterdir() if (folder / "clean" / path.name).exists())
    found = run(folder, names)
    scores = [one for one, _ in found.values()]
    told: dict[str, object] = {
        "files": len(names),
        "simple": round(summed(scores, [1.0] * len(names)), 3),
        "rows_lost_silently": sum(lost for _, lost in found.values()),
        "parts": {part: round(sum(one[part] for one in scores) / len(scores), 4) for part in PARTS},
        "worst": dict(sorted(((n, round(sum(s.values()), 2)) for n, (s, _) in found.items()), key=lambda x: x[1])[:20]),
    }
    beside = [path / "pollock_weights.json" for path in (folder, folder.parent)]
    if weights := next((json.loads(path.read_text(encoding="utf-8")) for path in beside if path.exists()), None):
        told["weighted"] = round(summed(scores, [weights.get(name, -1.0) for name in names]), 3)
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    folder: Path | None = asked.folder
    if folder and not ((folder / "csv").is_dir() and (folder / "clean").is_dir()):
        parser.error(f"{folder}: holds no csv and clean. Give the benchmark's folder polluted_files.")
    if folder:
        told = summary(folder)
    else:
        with tempfile.TemporaryDirectory() as scratch:
            told = summary(write_own(Path(scratch) / "files"))
    text = json.dumps(told, indent=1)
    print(text)
    if asked.out:
        asked.out.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
