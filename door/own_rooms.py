"""Are the rooms that Python finds the program's own? Their names are plain words, and another package may have one."""

from importlib.util import find_spec
from pathlib import Path

ROOMS = ("door", "ingest", "models", "reports", "synthetic_fleet")
HOUSE = Path(__file__).parents[1]


def strangers(house: Path = HOUSE) -> list[str]:
    """A line for each room of `house` whose name leads elsewhere: where to, and what to do. No room is loaded."""
    found = {room: find_spec(room) for room in ROOMS}
    return [
        f"{room}: Python finds {spec.origin if spec else 'nothing'} instead of pumpcensus's own in {house}. Start it "
        "from another folder, clear PYTHONPATH, or install pumpcensus into an environment of its own."
        for room, spec in found.items()
        if spec is None or spec.origin is None or Path(spec.origin).parent != house / room
    ]
