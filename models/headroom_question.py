"""What a person asks of `headroom`, and what may have been mistyped: questions in words."""

from dataclasses import dataclass
from difflib import get_close_matches
from math import isfinite

KPA_OF = {"bar": 100.0, "psi": 6.894757, "hPa": 0.1}  # NIST SP 811, appendix B.8, as quoted
USUAL_RATIO = (0.4, 2.5)  # a boost so far from the usual one is not meant in kPa if another unit brings it near
SETUPS_LISTED = 12


@dataclass(frozen=True)
class Question:
    """A setup or a label, a blend [% by volume], the highest boost of the pull [kPa gauge] and the reserve [%]."""

    setup: str | None
    label: str | None
    ethanol_pct: float
    boost_kpa: float | None = None
    reserve_pct: float = 10.0

    def problems(self) -> list[str]:
        """Everything wrong with it that can be told without looking at logs."""
        found = []
        if (self.setup is None) == (self.label is None):
            found.append("Name either a setup or a car: one of them, not both and not neither.")
        found += _content_problems(self.ethanol_pct)
        if not (isfinite(self.reserve_pct) and 0 <= self.reserve_pct < 100):
            found.append(f"reserve {self.reserve_pct:g}: a share of what the pump gives, from 0 to under 100 %.")
        elif 0 < self.reserve_pct < 1:
            found.append(f"reserve {self.reserve_pct:g}: per cent are wanted. Did you mean {100 * self.reserve_pct:g}?")
        if self.boost_kpa is not None and not (isfinite(self.boost_kpa) and self.boost_kpa > 0):
            found.append(f"boost {self.boost_kpa:g}: the pressure above ambient at its highest, above 0. [kPa gauge]")
        return found

    def boost_problems(self, usual_kpa: float) -> list[str]:
        """Whether the boost looks like another unit beside the usual one. usual_kpa: [kPa gauge]"""
        if self.boost_kpa is None:
            return []
        if usual_kpa <= 0:
            return ["boost: this engine was never logged with boost, so there is no curve to scale. Leave it out."]
        low, high = (ratio * usual_kpa for ratio in USUAL_RATIO)
        if low <= self.boost_kpa <= high:
            return []
        meant = [
            f"{self.boost_kpa * factor:.0f} ({self.boost_kpa:g} {unit})"
            for unit, factor in KPA_OF.items()
            if low <= self.boost_kpa * factor <= high
        ]
        question = f" Did you mean {' or '.join(meant)}?" if meant else ""
        return [
            f"boost {self.boost_kpa:g}: kPa above ambient are wanted, and {usual_kpa:.0f} are usual here.{question}"
        ]


def _content_problems(ethanol_pct: float) -> list[str]:
    if not isfinite(ethanol_pct) or not 0 <= ethanol_pct <= 100:
        return [f"ethanol {ethanol_pct:g}: a share by volume, from 0 to 100 %."]
    if 0 < ethanol_pct <= 1:
        return [f"ethanol {ethanol_pct:g}: per cent by volume are wanted. Did you mean {100 * ethanol_pct:g}?"]
    return []


def find_setup(asked: str, known: list[str]) -> str | None:
    """The setup meant, whatever its case and spaces; None where there is none such.

    >>> find_setup("e1|p2 | B1 | K1", ["E1 | P1 | B1 | K1", "E1 | P2 | B1 | K1"])
    'E1 | P2 | B1 | K1'
    """
    plain = {_plain(name): name for name in known}
    return plain.get(_plain(asked))


def unknown_setup(asked: str, known: list[str], quarter: str) -> str:
    """In words: no such setup; the nearest ones, or all where they are few."""
    near = get_close_matches(_plain(asked), [_plain(name) for name in known], n=3, cutoff=0.6)
    of = {_plain(name): name for name in known}
    if near:
        listed = "Nearest: " + "; ".join(of[name] for name in near) + "."
    elif len(known) <= SETUPS_LISTED:
        listed = "There: " + "; ".join(known) + "."
    else:
        listed = f"There are {len(known)}, such as {'; '.join(known[:3])}; baselines.csv of a study lists them."
    return f"setup {asked!r}: nobody logged such a setup in the four quarters up to {quarter}. {listed}"


def _plain(name: str) -> str:
    return " | ".join(" ".join(part.split()).casefold() for part in name.split("|"))
