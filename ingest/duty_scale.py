"""Whether a pump duty rises with load, as it should, or stands upside down."""

import numpy as np

from ingest.table import Values

_PRESSURE_RANGE_MIN_KPA = 40.0  # with less load range than this the log cannot tell
_FALL_MIN_PCT = 10.0
_CORRELATION_MAX = -0.3


def is_upside_down(duty_pct: Values, manifold_pressure_kpa: Values) -> bool:
    """Whether duty falls as load rises, over the log as a whole.

    Both a value a sample. True only where the mean duty in the upper third of the pressure range lies at least 10
    points under that in the lower third, and duty and pressure are correlated negatively. A dropping-out or
    saturated pump does not look like that: its duty is still higher under load than at idle.

    >>> load = np.linspace(40.0, 240.0, 100)
    >>> is_upside_down(load / 3, load), is_upside_down(100 - load / 3, load)
    (False, True)
    """
    known = np.isfinite(duty_pct) & np.isfinite(manifold_pressure_kpa)
    duty, pressure = (v if known.all() else v[known] for v in (duty_pct, manifold_pressure_kpa))
    if duty.size < 3:
        return False
    low, high = float(pressure.min()), float(pressure.max())
    if high - low < _PRESSURE_RANGE_MIN_KPA or duty.min() == duty.max():
        return False
    lower, upper = pressure <= low + (high - low) / 3, pressure >= high - (high - low) / 3
    if not lower.any() or not upper.any() or duty[upper].mean() > duty[lower].mean() - _FALL_MIN_PCT:
        return False
    return float(np.corrcoef(duty, pressure)[0, 1]) < _CORRELATION_MAX
