"""A fleet that later drives a stronger blend: what its pumps are asked is what the traits say."""

import numpy as np

from synthetic_fleet.direct_cells import RPM, Spread
from synthetic_fleet.later_blend import asked_shares, later_blend, usual_boost_kpa

STILL = Spread(level=0.05, tilt=0.0, bow=0.0, log=0.0, pull=0.0, cell=0.0)


def test_the_tables_hold_the_logged_cars_and_not_those_that_join() -> None:
    later = later_blend(12, 3, joining=6)
    assert len(later.logged) == 12
    assert len(later.joined) == 6
    assert set(later.earlier.cells["label"]) == set(later.logged)
    assert set(later.earlier.roster["label"]) == set(later.logged)
    assert {later.setups[label] for label in later.joined} <= {later.setups[label] for label in later.logged}
    assert not any(car.fault for car in later.joined.values())


def test_the_same_seed_gives_the_same_fleet() -> None:
    assert later_blend(6, 3, joining=2).earlier.cells.equals(later_blend(6, 3, joining=2).earlier.cells)


def test_a_stronger_blend_asks_for_the_volume_of_the_reference_table() -> None:
    """E10 1.0360, E40 1.1616, E85 1.4196: gasoline 14.7 and 745 kg/m3, ethanol 9.0 and 793.7, worked out elsewhere."""
    car = next(iter(later_blend(4, 3, joining=0, spread=STILL, faulty_share=0.0).logged.values()))
    factors = {0: 1.0, 10: 1.0360, 40: 1.1616, 85: 1.4196}
    shares = {
        ethanol: asked_shares(np.random.default_rng(1), car, ethanol, usual_boost_kpa(car)) for ethanol in factors
    }
    for ethanol, factor in factors.items():
        np.testing.assert_allclose(shares[ethanol] / shares[0], factor, rtol=2e-4)


def test_what_is_asked_is_not_cut_at_the_ceiling_and_counts_against_what_the_ceiling_gives() -> None:
    later = later_blend(8, 5, joining=0, faulty_share=0.0, round_share=0.0)
    car = next(car for car in later.logged.values() if car.ceiling_pct == 97.5)
    rng = np.random.default_rng(2)
    many = np.array([asked_shares(rng, car, 100.0, 2 * usual_boost_kpa(car)) for _ in range(20)])
    assert many.shape == (20, len(RPM))
    assert many.max() > 1.0
    cells = later.earlier.cells.filter(label=car.label)
    unsaturated = cells.filter(cells["duty_pct"] < 97.5)
    usual = np.array([asked_shares(rng, car, car.ethanol_pct, usual_boost_kpa(car)) for _ in range(200)])
    at = int(np.argmin(np.abs(RPM - 3125.0)))
    logged = unsaturated.filter(unsaturated["band_rpm"] == 3000)["duty_pct"].mean()
    np.testing.assert_allclose(np.median(usual[:, at]) * 97.5, logged, rtol=0.03)
