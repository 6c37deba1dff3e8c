"""What may be wrong with an invented car, and what it adds to the volume its pump is asked for."""

from dataclasses import dataclass
from datetime import date

import numpy as np

from synthetic_fleet.setups import Floats

QUARTER_START, QUARTER_END = date(2026, 7, 1), date(2026, 9, 30)

# kind: (how often among faulty cars, least and greatest severity in per cent of volume)
KINDS: dict[str, tuple[float, float, float]] = {
    "worn": (0.22, 8.0, 20.0),  # at all speeds
    "starved": (0.20, 12.0, 28.0),  # from 4,500 rpm up
    "leak": (0.18, 8.0, 18.0),  # at low speed
    "drift": (0.14, 10.0, 20.0),  # growing over the quarter
    "sticking": (0.12, 0.0, 0.0),  # delivery stops for a moment
    "hot_feed": (0.06, 10.0, 20.0),  # feed pressure weak when hot
    "wrong_roster": (0.05, 0.0, 0.0),  # the roster names another blend or pump
    "ethanol_sensor": (0.03, 10.0, 20.0),  # points of ethanol the log is off by
}
PUMP_SIDE = ("worn", "starved", "leak", "drift", "sticking")
FOUND = {
    "leak": "leak",
    "starved": "feed",
    "hot_feed": "feed",
    "wrong_roster": "roster",
    "ethanol_sensor": "sensor",
}


@dataclass(frozen=True)
class Fault:
    """One fault. severity_pct: its greatest size, per cent of volume (ethanol_sensor: points of ethanol)."""

    kind: str = ""
    severity_pct: float = 0.0
    since: date = QUARTER_START

    @property
    def found(self) -> str:
        """What a technician would write on the roster."""
        return FOUND.get(self.kind, "pump") if self.kind else "nothing"


NO_FAULT = Fault()


def draw_fault(rng: np.random.Generator, kinds: tuple[str, ...]) -> Fault:
    """A fault of one of `kinds`, as often as KINDS says."""
    weights = np.array([KINDS[kind][0] for kind in kinds])
    kind = str(rng.choice(kinds, p=weights / weights.sum()))
    low, high = KINDS[kind][1:]
    return Fault(kind, round(float(rng.uniform(low, high)), 1))


def extra_share(fault: Fault, rpm: Floats, day: date, heat: Floats | float = 0.0) -> Floats:
    """Volume asked for beyond a sound pump's, as a share. [0..]

    heat: 0 cold to 1 hot, matters to hot_feed only.

    >>> rpm = np.array([4000.0, 5500.0, 6500.0])
    >>> extra_share(Fault("starved", 20.0), rpm, QUARTER_START).round(3).tolist()
    [0.0, 0.1, 0.2]
    """
    size = fault.severity_pct / 100.0
    if fault.kind == "worn":
        return np.full_like(rpm, size)
    if fault.kind == "starved":
        return size * np.clip((rpm - 4500.0) / 2000.0, 0.0, 1.1)
    if fault.kind == "leak":
        return size * np.clip((5500.0 - rpm) / 3500.0, 0.0, 1.2)
    if fault.kind == "drift":
        return np.full_like(rpm, size * season_share(day))
    if fault.kind == "hot_feed":
        return size * np.asarray(heat) * np.clip((rpm - 2000.0) / 4000.0, 0.1, 1.1)
    return np.zeros_like(rpm)


def season_share(day: date) -> float:
    """How much of the quarter is over. [0..1]"""
    return (day - QUARTER_START).days / (QUARTER_END - QUARTER_START).days
