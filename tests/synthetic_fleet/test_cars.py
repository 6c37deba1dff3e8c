"""Who drives what: spread, peers, faults, swapped pumps."""

from collections import Counter

import numpy as np
import pytest

from synthetic_fleet.cars import Healthy, draw_cars
from synthetic_fleet.faults import PUMP_SIDE
from synthetic_fleet.setups import setups

SEEDS = (11, 12, 13)


def test_the_same_seed_gives_the_same_cars_and_another_seed_others() -> None:
    assert draw_cars(12, 5, 0.3, "mixed") == draw_cars(12, 5, 0.3, "mixed")
    assert draw_cars(12, 5, 0.3, "mixed") != draw_cars(12, 6, 0.3, "mixed")


@pytest.mark.parametrize("seed", SEEDS)
def test_healthy_cars_spread_as_declared(seed: int) -> None:
    cars = draw_cars(600, seed, 0.0, "mixed")
    spells = [car.spells[0] for car in cars]
    spread = Healthy()
    level = np.hypot(spread.car_level, spread.pump_level)
    assert level == pytest.approx(0.027, abs=0.0005)
    # 600 draws give a standard deviation to 2.9 % (one sigma); four sigma is allowed
    for name, sd in (("level", level), ("tilt", spread.tilt), ("bow", spread.bow)):
        drawn = np.array([getattr(s, name) for s in spells])
        assert drawn.std() == pytest.approx(sd, rel=0.12), name
        assert abs(drawn.mean()) < 4 * sd / np.sqrt(600), name


@pytest.mark.parametrize("seed", SEEDS)
def test_a_fleet_of_24_leaves_every_setup_three_cars(seed: int) -> None:
    counts = Counter(car.spells[0].setup.name for car in draw_cars(24, seed, 0.15, "mixed"))
    assert min(counts.values()) >= 3
    assert sum(counts.values()) == 24


def test_a_fleet_of_80_has_every_part_and_several_setups_of_eight() -> None:
    cars = draw_cars(80, 3, 0.15, "mixed")
    used = [car.spells[0].setup for car in cars]
    counts = Counter(s.name for s in used)
    assert sum(n >= 8 for n in counts.values()) >= 3
    for part, least in (("engine", 3), ("pump", 3), ("boost_hardware", 3), ("calibration", 2)):
        assert len({getattr(s, part).name for s in used}) >= least, part


@pytest.mark.parametrize("cars", [1, 2, 3, 5])
def test_a_fleet_may_be_tiny(cars: int) -> None:
    assert len({car.name for car in draw_cars(cars, 1, 1.0, "mixed")}) == cars


def test_names_stay_unique_in_a_large_fleet() -> None:
    assert len({car.name for car in draw_cars(300, 1, 0.1, "lobe")}) == 300


@pytest.mark.parametrize(("share", "low", "high"), [(0.0, 0, 0), (0.15, 30, 31), (1.0, 200, 200)])
def test_as_many_cars_are_faulty_as_asked(share: float, low: int, high: int) -> None:
    faulty = sum(car.spells[0].fault.kind != "" for car in draw_cars(200, 4, share, "mixed"))
    assert low <= faulty <= high


def test_pump_side_faults_are_the_common_ones() -> None:
    kinds = Counter(car.spells[0].fault.kind for car in draw_cars(400, 8, 1.0, "mixed"))
    assert set(kinds) >= {*PUMP_SIDE, "hot_feed", "wrong_roster", "ethanol_sensor"}
    assert sum(kinds[k] for k in PUMP_SIDE) > 0.75 * 400
    assert max(kinds[k] for k in ("hot_feed", "wrong_roster", "ethanol_sensor")) < kinds["sticking"] + 10


def test_cars_that_change_their_pump_have_logs_on_both_sides() -> None:
    swapped = [car for car in draw_cars(300, 9, 0.15, "mixed") if len(car.spells) > 1]
    assert 10 <= len(swapped) <= 26  # about 6 %
    assert any(car.spells[0].fault.kind for car in swapped)
    assert any(not car.spells[0].fault.kind for car in swapped)
    for car in swapped:
        before, after = car.spells
        assert before.until is not None
        assert after.since is not None
        assert (after.since - before.until).days == 1
        assert after.setup.engine == before.setup.engine
        assert after.fault.kind == ""
        assert sum(before.holds(d) for d in car.days) >= 2
        assert sum(after.holds(d) for d in car.days) >= 2


def test_logs_are_two_to_six_on_days_of_the_quarter() -> None:
    for car in draw_cars(200, 2, 0.15, "mixed"):
        assert 2 <= len(car.days) <= 6
        assert list(car.days) == sorted(car.days)
        assert all((d.year, (d.month - 1) // 3) == (2026, 2) for d in car.days)
        assert len(set(car.days)) >= 2


def test_ethanol_labels_are_as_wrong_as_stations_are() -> None:
    cars = [c for c in draw_cars(1500, 21, 0.0, "mixed") if c.stated_ethanol_pct is not None]
    for low, high, sd in ((0, 10, 3.0), (11, 30, 5.0), (31, 100, 9.0)):
        wrong = np.array([c.ethanol_pct - c.stated_ethanol_pct for c in cars if low <= c.stated_ethanol_pct <= high])
        assert wrong.std() == pytest.approx(sd, rel=0.2)  # drawn to two sigma, and never under nothing
    assert 0.3 < np.mean(["ethanol_pct" in c.channels for c in cars]) < 0.8


def test_wrong_roster_states_what_the_car_has_not() -> None:
    wrong = [c for c in draw_cars(600, 5, 1.0, "mixed") if c.spells[0].fault.kind == "wrong_roster"]
    assert len(wrong) > 10
    for car in wrong:
        spell = car.spells[0]
        other_pump = spell.stated.pump != spell.setup.pump
        stated = car.stated_ethanol_pct
        other_blend = stated is not None and "ethanol_pct" not in car.channels and abs(stated - car.ethanol_pct) > 4
        assert other_pump or other_blend
        assert abs(spell.fault.severity_pct) > 4.0


def test_ethanol_sensors_are_off_by_ten_to_twenty_points() -> None:
    for car in draw_cars(600, 6, 1.0, "mixed"):
        off = abs(car.ethanol_error_pct)
        if car.spells[0].fault.kind == "ethanol_sensor":
            assert 9.9 <= off <= 20.1
            assert "ethanol_pct" in car.channels
        else:
            assert off < 4.0


def test_few_cars_were_inspected_and_the_finding_fits_the_fault() -> None:
    cars = draw_cars(600, 7, 0.15, "mixed")
    seen = [c for c in cars if c.found]
    assert 0.02 < len(seen) / len(cars) < 0.2
    assert {c.found for c in seen if not c.spells[0].fault.kind} == {"nothing"}
    assert all(c.found == c.spells[0].fault.found for c in seen)
    assert all(c.found_on is not None for c in seen)


@pytest.mark.parametrize(("physics", "lobes"), [("straight", {"straight"}), ("lobe", {"round"})])
def test_physics_rules_every_pump(physics: str, lobes: set[str]) -> None:
    assert {s.pump.lobe for s in setups(physics)} == lobes
    assert {c.spells[-1].setup.pump.lobe for c in draw_cars(60, 1, 0.5, physics)} == lobes


def test_mixed_physics_has_both_and_ceilings_below_a_hundred() -> None:
    assert {s.pump.lobe for s in setups()} >= {"straight", "round"}
    assert {s.calibration.ceiling_pct for s in setups()} == {95.0, 97.5, 100.0}
