"""Whether each file of csv-spectrum, a public acid test for CSV readers, is read as its answer says.

python tests/benchmarks/spectrum.py FOLDER [--out FILE]

FOLDER: the package as the npm registry gives it (`npm pack csv-spectrum`), with `csvs/` and `json/`; it is not part of
this project. A file agrees if every row has the answer's cells under the answer's names.
"""

import argparse
import json
from pathlib import Path

from machine import show
from polluted import load


def agrees(content: bytes, answer: object) -> bool:
    loaded = load(content)
    if loaded is None or not loaded.header:
        return False
    return [dict(zip(loaded.header[0], row, strict=True)) for row in loaded.records] == answer


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    agreed = {}
    for path in sorted((asked.folder / "csvs").glob("*.csv")):
        answer = json.loads((asked.folder / "json" / f"{path.stem}.json").read_text(encoding="utf-8"))
        agreed[path.stem] = agrees(path.read_bytes(), answer)
    told = {
        "files": len(agreed),
        "agree": sum(agreed.values()),
        "differ": [name for name, same in agreed.items() if not same],
    }
    show(told, asked.out)


if __name__ == "__main__":
    main()
