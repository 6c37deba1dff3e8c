"""Write the tables of data-dictionary.md: `python docs/data_dictionary.py`. The words between them are the page's own.

Which column stands in which table is what the schemas declare; what it means is told in data-dictionary.toml, and of
channels in ingest/channels.toml.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from itertools import chain
from pathlib import Path
from typing import Any

import polars as pl

import ingest.schemas
import models.schemas
from models.drill import DRILL
from models.headroom import HEADROOM
from models.two_curves import TWO_CURVES

PAGE = Path(__file__).with_name("data-dictionary.md")
MEANINGS = PAGE.with_suffix(".toml")
TABLES = {
    name.lower(): schema
    for name, schema in (*vars(ingest.schemas).items(), *vars(models.schemas).items())
    if name.isupper() and name != "CHANNELS" and isinstance(schema, Mapping)
} | {"two_curves": TWO_CURVES, "headroom": HEADROOM, "drill": DRILL}
CODES = {
    "pattern": models.schemas.PATTERNS,
    "check_first": models.schemas.CHECKS,
    "wish": models.schemas.WISHES,
}

TABLE = re.compile(r"(\| .* \|\n\|(?:---\|)+\n)((?:\| .* \|\n)*)")  # its head, its rows


def page(text: str, told: dict[str, Any]) -> str:
    """The page with its tables made anew; told: data-dictionary.toml.

    Raises SystemExit with a line for each table, column or code that is declared and not told, or the other way round,
    and for each group of columns without a heading.
    """
    channels = {name: entry["meaning"] for name, entry in ingest.schemas.channel_tables().items() if name[0] != "_"}
    groups = told["columns"] | {"Channels": channels}
    problems = [
        *(f"{PAGE.name} has no heading '### {name}' with a table." for name in groups if f"\n### {name}\n" not in text),
        *_differences("table", TABLES, told["tables"]),
        *_differences("column", chain.from_iterable(TABLES.values()), chain.from_iterable(groups.values())),
        *chain.from_iterable(_differences(code, names, told["codes"][code]) for code, names in CODES.items()),
    ]
    if problems:
        raise SystemExit("\n".join([*problems, f"{len(problems)} problems; {PAGE.name} is as it was."]))

    def rows(found: re.Match[str]) -> str:
        first = found[1].split("|")[1].strip(" `")
        heading = text[: found.start()].rpartition("\n### ")[2].partition("\n")[0]
        if first == "table":
            made = [f"{name} | {entry['row']} | {entry['file']}" for name, entry in told["tables"].items()]
        elif first == "column":
            made = [f"{_meaning(name, what, told)} | {_tables(name, told)}" for name, what in groups[heading].items()]
        elif first == "key":
            made = [_meaning(name, what, told) for name, what in told["json"][heading].items()]
        elif first == "file":
            made = [f"{file} | {what}" for file, what in told["files"].items()]
        else:
            made = [f"`{code}` | {what}" for code, what in told["codes"][first].items()]
        return found[1] + "".join(f"| {row} |\n" for row in made)

    return TABLE.sub(rows, text)


def _meaning(name: str, what: str | dict[str, str], told: dict[str, Any]) -> str:
    """Name, unit, meaning; of several names that are told together, each unit once."""
    units = dict.fromkeys(_unit(one, told["endings"]) for one in name.split(", "))
    own = what if isinstance(what, dict) else {"unit": ", ".join(units), "meaning": what}
    return f"`{name}` | {own['unit']} | {own['meaning']}"


def _tables(name: str, told: dict[str, Any]) -> str:
    """Tables that have a column."""
    return ", ".join(table for table in told["tables"] if name in TABLES[table])


def _unit(name: str, endings: dict[str, str]) -> str:
    """What the end of a name says, the longest first; else what the type says."""
    for ending in sorted(endings, key=len, reverse=True):
        if name.endswith(f"_{ending}"):
            return endings[ending]
    kind = next((schema[name] for schema in TABLES.values() if name in schema), None)
    return {pl.Date: "day", pl.Boolean: "yes/no", pl.Int32: "count", pl.Int64: "count"}.get(kind, "")


def _differences(what: str, declared: Any, told: Any) -> Iterator[str]:
    declared, told = list(dict.fromkeys(declared)), list(told)
    yield from (f"{what} {name}: declared, but not told in {MEANINGS.name}." for name in declared if name not in told)
    yield from (f"{what} {name}: told in {MEANINGS.name}, but not declared." for name in told if name not in declared)


if __name__ == "__main__":
    written = page(PAGE.read_text(encoding="utf-8"), tomllib.loads(MEANINGS.read_text(encoding="utf-8")))
    PAGE.write_text(written, encoding="utf-8", newline="\n")
