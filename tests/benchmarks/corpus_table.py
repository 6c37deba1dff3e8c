"""What becomes of each log of the corpus: a Markdown table of tests/ingest/dialects and tests/ingest/refused.

python tests/benchmarks/corpus_table.py

A spelling reads as the truth if every channel lies within the tests' tolerance of tests/ingest/dialects/truth.csv.
"""

import sys
from pathlib import Path

HOUSE = Path(__file__).parents[2]
sys.path.insert(0, str(HOUSE))

import polars as pl  # noqa: E402

from ingest.read_log import read_log  # noqa: E402
from ingest.reading import Reading  # noqa: E402

CORPUS = HOUSE / "tests/ingest"
TOLERANCE = 0.011  # as in tests/ingest/test_dialects.py
NO_LOGS = ("truth.csv", ".gitattributes")


def outcome(reading: Reading, truth: pl.DataFrame) -> str:
    if reading.refused:
        return f"refused: {reading.refused}"
    if reading.frame.height != truth.height or not set(truth.columns) <= set(reading.frame.columns):
        return "not the truth"
    off = max(float((reading.frame[name] - truth[name]).abs().max()) for name in truth.columns)  # type: ignore[arg-type]
    return "reads as the truth" if off <= TOLERANCE else f"not the truth: {off:.3g} off"


def main() -> None:
    truth = pl.read_csv(CORPUS / "dialects/truth.csv", schema_overrides={"gear": pl.Float64})
    print("| log | outcome | read as | findings |\n|---|---|---|---|")
    for folder in ("dialects", "refused"):
        for path in sorted((CORPUS / folder).iterdir()):
            if path.name in NO_LOGS:
                continue
            reading = read_log(path.name, path.read_bytes())
            codes = ", ".join(dict.fromkeys(finding.code for finding in reading.findings))
            dialect = reading.dialect.replace("|", "bar")
            print(f"| {path.name} | {outcome(reading, truth)} | {dialect} | {codes} |")


if __name__ == "__main__":
    main()
