"""The roster as an organiser would keep it, and beside it what is true."""

import numpy as np
import polars as pl

from synthetic_fleet.cars import Car, Spell
from synthetic_fleet.duty_law import shape
from synthetic_fleet.faults import extra_share
from synthetic_fleet.true_log import TrueLog

FULL_LOAD_RPM = np.arange(2500.0, 6501.0, 50.0)

ROSTER = {
    "car": pl.String,
    "engine": pl.String,
    "pump": pl.String,
    "boost_hardware": pl.String,
    "calibration": pl.String,
    "port_injection": pl.String,
    "ethanol_pct": pl.Float64,
    "since": pl.Date,
    "until": pl.Date,
    "found": pl.String,
    "found_on": pl.Date,
    "logs": pl.String,
}

TRUTH = {
    "car": pl.String,
    "spell_since": pl.Date,
    "spell_until": pl.Date,
    "engine": pl.String,
    "pump": pl.String,
    "boost_hardware": pl.String,
    "calibration": pl.String,
    "recorder": pl.String,
    "fault": pl.String,  # empty for a sound car
    "severity_pct": pl.Float64,
    "level_pct": pl.Float64,  # a car's own, in per cent of log volume, as tilt and bow
    "tilt_pct": pl.Float64,
    "bow_pct": pl.Float64,
    "ethanol_true_pct": pl.Float64,
    "excess_pct": pl.Float64,  # own level and fault, mean over FULL_LOAD_RPM and over the spell's logs
    "excess_healthy_pct": pl.Float64,  # of that, the car's own
    "fault_from": pl.Date,
    "saturated_share": pl.Float64,  # of the full-load samples, duty at its ceiling
}


def roster(cars: list[Car]) -> pl.DataFrame:
    """One row a car and spell, as stated by its owner."""
    rows = [
        {
            "car": car.name,
            **_setup(spell, stated=True),
            "port_injection": "yes" if spell.stated.port_injection else "no",
            "ethanol_pct": car.stated_ethanol_pct,
            "since": spell.since,
            "until": spell.until,
            "found": (car.found or None) if first else None,
            "found_on": car.found_on if first else None,
            "logs": None,
        }
        for car in cars
        for first, spell in zip((True, False), car.spells, strict=False)
    ]
    return pl.DataFrame(rows, schema=ROSTER)


def truth(cars: list[Car], logs: list[TrueLog]) -> pl.DataFrame:
    """One row a car and spell, as it truly is; `logs` are all logs of these cars."""
    rows = []
    for car in cars:
        for spell in car.spells:
            own = [log for log in logs if log.car.name == car.name and log.spell is spell]
            healthy, total = _excess_pct(spell, own)
            rows.append(
                {
                    "car": car.name,
                    "spell_since": spell.since,
                    "spell_until": spell.until,
                    **_setup(spell, stated=False),
                    "recorder": car.recorder.name,
                    "fault": spell.fault.kind or None,
                    "severity_pct": spell.fault.severity_pct,
                    "level_pct": round(100.0 * spell.level, 3),
                    "tilt_pct": round(100.0 * spell.tilt, 3),
                    "bow_pct": round(100.0 * spell.bow, 3),
                    "ethanol_true_pct": round(float(np.mean([log.ethanol_pct for log in own])), 2),
                    "excess_pct": round(total, 3),
                    "excess_healthy_pct": round(healthy, 3),
                    "fault_from": spell.fault.since if spell.fault.kind else None,
                    "saturated_share": round(float(np.mean([log.saturated_share for log in own])), 4),
                }
            )
    return pl.DataFrame(rows, schema=TRUTH)


def _setup(spell: Spell, stated: bool) -> dict[str, str]:
    setup = spell.stated if stated else spell.setup
    return {
        "engine": setup.engine.name,
        "pump": setup.pump.name,
        "boost_hardware": setup.boost_hardware.name,
        "calibration": setup.calibration.name,
    }


def _excess_pct(spell: Spell, logs: list[TrueLog]) -> tuple[float, float]:
    """The car's own excess, and with its fault; every log counts once."""
    own = np.exp(shape(FULL_LOAD_RPM, spell.level, spell.tilt, spell.bow))
    faulty = [own * (1.0 + extra_share(spell.fault, FULL_LOAD_RPM, log.day, float(np.mean(log.heat)))) for log in logs]
    return 100.0 * float(own.mean() - 1.0), 100.0 * float(np.mean(faulty or [own]) - 1.0)
