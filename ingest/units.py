"""Unit spellings, their scale and offset, and whether a pressure is gauge or absolute."""

import re
import tomllib
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

_GAUGE = re.compile(
    r"[\s_]*(?:\(\s*)?(?:gauge|gage|g|rel(?:ative?)?\.?|relativ|ü|ue|Überdruck)(?:\s*\))?$", re.IGNORECASE
)
_ABSOLUTE = re.compile(r"[\s_]*(?:\(\s*)?(?:absolute?|absolut|abs\.?|a)(?:\s*\))?$", re.IGNORECASE)


@dataclass(frozen=True)
class Unit:
    """A unit as a log states it.

    name: pint's name for it; for a ratio one of lambda, afr, phi.
    quantity: a table of units.toml.
    reference: "gauge", "absolute", or "" where the unit does not say. Pressures only.
    """

    name: str
    quantity: str
    reference: str = ""


@cache
def _spellings() -> tuple[dict[str, Unit], dict[str, Unit]]:
    """Exact spellings, and those that stay unique when case is ignored; blanks left out of both."""
    table = tomllib.loads(Path(__file__).with_name("units.toml").read_text(encoding="utf-8"))
    exact: dict[str, Unit] = {}
    folded: dict[str, set[Unit]] = {}
    for quantity, units in table.items():
        for name, spellings in units.items():
            for spelling in spellings:
                unit = Unit(name, quantity)
                exact[spelling.replace(" ", "")] = unit
                folded.setdefault(spelling.replace(" ", "").casefold(), set()).add(unit)
    return exact, {key: units.pop() for key, units in folded.items() if len(units) == 1}


def _plain(text: str) -> Unit | None:
    exact, folded = _spellings()
    key = re.sub(r"\s", "", text)
    return exact.get(key) or folded.get(key.casefold())


@lru_cache(maxsize=4096)
def unit_of(text: str) -> Unit | None:
    """The unit that `text` spells, or None.

    >>> unit_of("psig")
    Unit(name='psi', quantity='pressure', reference='gauge')
    >>> unit_of("bar (abs)").reference, unit_of("U/min").name, unit_of("furlong")
    ('absolute', 'revolution/minute', None)
    """
    text = text.strip()
    if unit := _plain(text):
        return unit
    for pattern, reference in ((_GAUGE, "gauge"), (_ABSOLUTE, "absolute")):
        bare = _plain(pattern.sub("", text))
        if bare and bare.quantity == "pressure":
            return Unit(bare.name, "pressure", reference)
    return None


@cache
def scale_and_offset(unit: str, to: str) -> tuple[float, float]:
    """(scale, offset) with value_to = value * scale + offset. Names are pint's.

    Offset temperatures are right too: pint is asked for two values and the line through them is taken.
    Raises ValueError where the two are of different dimension.

    >>> scale, offset = scale_and_offset("degF", "degC")
    >>> round(77 * scale + offset, 9)
    25.0
    """
    if unit == to:
        return 1.0, 0.0
    import pint  # costs a third of a second to load, and most logs need no conversion

    registry = _registry()
    try:
        zero, one = (float(registry.Quantity(x, unit).to(to).magnitude) for x in (0.0, 1.0))
    except pint.DimensionalityError as error:
        raise ValueError(f"{unit} cannot be converted to {to}: {error}") from error
    return one - zero, zero


@cache
def _registry():  # type: ignore[no-untyped-def]
    import pint

    return pint.UnitRegistry()
