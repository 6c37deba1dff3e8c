"""The keys of a JSON answer as the data dictionary tells them."""

import tomllib
from pathlib import Path

MEANINGS = Path(__file__).parents[2] / "docs/data-dictionary.toml"


def told_keys(answer: str) -> set[str]:
    """Keys told of an answer, those of its parts behind the part's name.

    >>> "change_low_pct" in told_keys("compare --json"), "counts.warning" in told_keys("summary.json")
    (True, True)
    """
    told = tomllib.loads(MEANINGS.read_text(encoding="utf-8"))["json"][answer]
    parted = [names.rpartition(".") for names in told]
    return {part + dot + key for part, dot, keys in parted for key in keys.split(", ")}
