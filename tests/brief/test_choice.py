from zoneinfo import ZoneInfo

import pytest

from bitewatch.brief.cautions import BoatLimits
from bitewatch.brief.choice import PACE_ORDER, choose
from bitewatch.brief.words import Words
from bitewatch.units import UnitSystem

WORDS = Words(UnitSystem.US, ZoneInfo("America/New_York"))


def order(choices):
    return [choice.lake_day.lake.id for choice in choices]


def test_fishable_lakes_first(lake_day, lake, with_columns, trip_hours):
    """Waves grow with the lake: with a low limit only the small lake can be fished all trip."""
    windy = with_columns(at=trip_hours, wind_speed_ms=7.5)
    big = lake(id="big", area_km2=40.0, mean_depth_m=8.0)
    small = lake(id="small", area_km2=0.05)
    days = [lake_day(one, hourly=windy) for one in (big, small)]
    found = choose(days, BoatLimits(max_wave_m=0.3, max_wind_ms=9.0), WORDS)
    assert order(found) == ["small", "big"]
    assert [choice.fishable for choice in found] == [True, False]
    assert found[1].why.startswith("over your boat's limit for part of the trip (wind to 17 mph, waves about")
    assert all(choice.fishable for choice in choose(days, BoatLimits(max_wave_m=5, max_wind_ms=9.0), WORDS))


def test_then_the_more_willing_then_the_clearer_call(lake_day, lake, limits):
    days = [lake_day(lake(name)) for name in ("thrennick", "umberfold", "skarrow")]
    found = choose(days, limits, WORDS)
    keys = []
    for choice in found:
        assert choice.lake_day.outlook is not None
        first = choice.lake_day.outlook.plans[choice.lake_day.main_species][0]
        keys.append((PACE_ORDER.index(first.pace), -round(max(first.probability), 2)))
    assert keys == sorted(keys)
    assert order(found)[0] == "skarrow"


@pytest.mark.parametrize("which", [0, 1])
def test_a_lake_without_a_call_comes_last_and_says_why(lake_day, lake, limits, which):
    days = [lake_day(lake("thrennick")), lake_day(lake("umberfold"))]
    days[which] = lake_day(days[which].lake, hourly=None)
    found = choose(days, limits, WORDS)
    assert found[-1].lake_day is days[which]
    assert found[-1].why == "no call: no weather: nobody answers"
    assert not found[-1].fishable


def test_the_order_asked_for_settles_what_is_level(lake_day, lake, limits):
    twins = [lake_day(lake("thrennick", id=name)) for name in ("b", "a", "c")]
    assert order(choose(twins, limits, WORDS)) == ["b", "a", "c"]


def test_a_lake_with_a_danger_or_unknown_waves_is_not_called_fishable(lake_day, lake, with_columns):
    limits = BoatLimits(max_wave_m=1.0, max_wind_ms=20.0)
    calm, noarea = lake("thrennick"), lake("thrennick").model_copy(update={"area_km2": None})
    quiet = with_columns(cape_jkg=0.0)
    days = [
        lake_day(calm, hourly=with_columns(cape_jkg=2500.0)),
        lake_day(noarea, hourly=quiet),
        lake_day(calm, hourly=quiet),
    ]
    found = choose(days, limits, WORDS)
    assert [choice.fishable for choice in found] == [True, False, None]
    assert ["fishable all trip" in choice.why for choice in found] == [True, False, False]
