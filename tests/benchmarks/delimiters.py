"""How often our recogniser tells a file's delimiter, beside csv.Sniffer, DuckDB and CleverCSV.

python tests/benchmarks/delimiters.py [--folder FOLDER ...] [--clevercsv PYTHON] [--out FILE]

Files: the spellings of one log in tests/ingest/dialects; the polluted tables of tests/ingest/pollutions.py; every .csv
that the installed statsmodels, scikit-learn and lifelines bring along; and every .csv under each FOLDER, all with
commas (csv-spectrum's `csvs`, say). Files without two columns are left out. The first two sets are ours, and our
recogniser was made with them in sight. delimiters.toml says what is right.

PYTHON: an interpreter that has CleverCSV, which is no dependency of this project. Each tool is given UTF-8 with line
feeds: csv.Sniffer the first 64 KiB, CleverCSV the first 6 KiB, DuckDB the file. To fail or to give no answer is to be
wrong.
"""

import argparse
import csv
import importlib.util
import json
import subprocess
import tempfile
import tomllib
from collections.abc import Mapping
from fnmatch import fnmatch
from importlib.metadata import version
from pathlib import Path

import duckdb
from machine import HOUSE, show

from ingest.encoding import to_utf8
from ingest.read_text import open_text

INSTALLED = ("statsmodels", "sklearn", "lifelines")
SIGNS = ",;\t| "
SNIFFED_BYTES = 64 * 1024
CLEVERCSV = """
import json, sys, clevercsv
told = []
for path in json.load(sys.stdin):
    try:
        with open(path, encoding="utf-8", newline="") as file:
            told.append(clevercsv.Sniffer().sniff(file.read(6 * 1024)).delimiter)
    except Exception:
        told.append("")
print(json.dumps({"version": clevercsv.__version__, "told": told}))
"""

Files = dict[str, bytes]


def pollutions() -> tuple[Files, dict[str, str]]:
    """The polluted tables and what parts their columns."""
    spec = importlib.util.spec_from_file_location("pollutions", HOUSE / "tests/ingest/pollutions.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    files = {name: content for name, content, _, _ in module.pollutions()}
    mark = "file_field_delimiter_"
    parts = {name: name.removeprefix(mark).split("_")[0] for name in files if name.startswith(mark)}
    return files, {name: chr(int(code, 16)) for name, code in parts.items()}


def under(folder: Path, *endings: str) -> Files:
    paths = sorted(path for path in folder.rglob("*") if path.suffix in endings)
    return {str(path.relative_to(folder)): path.read_bytes() for path in paths}


def installed() -> Files:
    files = {}
    for library in INSTALLED:
        spec = importlib.util.find_spec(library)
        assert spec
        assert spec.origin
        files |= {f"{library}/{name}": content for name, content in under(Path(spec.origin).parent, ".csv").items()}
    return files


def as_listed(files: Files, by_sign: Mapping[str, list[str]]) -> dict[str, str]:
    """The delimiters of those files that delimiters.toml names."""
    return {n: sign for n in files for sign, named in by_sign.items() if any(fnmatch(n, one) for one in named)}


def text_of(content: bytes) -> bytes:
    """UTF-8 with line feeds; empty where the file has no two columns, or is no text."""
    text = to_utf8(content)
    lines = text.body.decode("utf-8", errors="replace").split("\n") if text else []
    has_columns = any(sign in line.strip() for line in lines for sign in SIGNS)
    return text.body if text and has_columns else b""


def ours(content: bytes) -> str:
    source = open_text(content)
    if source is None:
        return ""
    return " " if source.spelling == "blanks" else source.dialect.delimiter


def by_sniffer(path: Path) -> str:
    try:
        return csv.Sniffer().sniff(path.read_bytes()[:SNIFFED_BYTES].decode("utf-8", errors="replace")).delimiter
    except csv.Error:
        return ""


def by_duckdb(path: Path) -> str:
    try:
        return str(duckdb.sql("select Delimiter from sniff_csv(?)", params=[str(path)]).fetchall()[0][0])
    except duckdb.Error:
        return ""


def counted(files: Files, other_than_comma: Mapping[str, str], scratch: Path, clevercsv: str | None) -> dict:
    """Files tried, how many each tool has right, and those that ours has wrong."""
    paths = {}
    for number, (name, content) in enumerate(files.items()):
        if text := text_of(content):
            paths[name] = scratch / f"{number}.csv"
            paths[name].write_bytes(text)
    told = {
        "ours": [ours(files[name]) for name in paths],
        "csv.Sniffer": [by_sniffer(path) for path in paths.values()],
        "DuckDB": [by_duckdb(path) for path in paths.values()],
    }
    if clevercsv:
        asked = json.dumps([str(path) for path in paths.values()])
        done = subprocess.run([clevercsv, "-c", CLEVERCSV], input=asked, check=True, capture_output=True, text=True)
        told["CleverCSV"] = json.loads(done.stdout)["told"]
    true = [other_than_comma.get(name, ",") for name in paths]
    right = {tool: sum(a == b for a, b in zip(signs, true, strict=True)) for tool, signs in told.items()}
    wrong = [name for name, sign, truth in zip(paths, told["ours"], true, strict=True) if sign != truth]
    return {"files": len(paths), "right": right, "ours_wrong": wrong}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, nargs="*", default=[])
    parser.add_argument("--clevercsv", help="an interpreter that has CleverCSV")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    listed = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
    spelled = {n: c for n, c in under(HOUSE / "tests/ingest/dialects", ".csv", ".txt").items() if "packed" not in n}
    libraries = installed()
    sets = {
        "spellings": (spelled, as_listed(spelled, listed["spellings"])),
        "pollutions": pollutions(),
        "installed": (libraries, as_listed(libraries, listed["installed"])),
    }
    sets |= {f"folder {number}": (under(folder, ".csv"), {}) for number, folder in enumerate(asked.folder, 1)}
    told: dict = {}
    for name, (files, other_than_comma) in sets.items():
        with tempfile.TemporaryDirectory() as scratch:
            told[name] = counted(files, other_than_comma, Path(scratch), asked.clevercsv)
    told["versions"] = {library: version(library) for library in ("duckdb", "statsmodels", "scikit-learn", "lifelines")}
    show(told, asked.out)


if __name__ == "__main__":
    main()
