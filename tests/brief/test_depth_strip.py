import io
import struct
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from matplotlib import image

from bitewatch.brief.front_lines import FRONT_DOUBT
from bitewatch.brief.pictures.depth_strip import HOURS, depth_strip, draw_depth_strip
from bitewatch.brief.words import Words
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.units import UnitSystem

NEW_YORK = ZoneInfo("America/New_York")
US, METRIC = Words(UnitSystem.US, NEW_YORK), Words(UnitSystem.METRIC, NEW_YORK)


def pixels(png):
    """The picture, shape (height, width, 4), 0 to 1; its head is read by hand first."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])
    picture = image.imread(io.BytesIO(png), format="png")
    assert picture.shape[:2] == (height, width)
    return picture


def drawn(strip):
    picture = pixels(draw_depth_strip(strip))
    assert picture.shape[1] == 780
    assert 400 <= picture.shape[0] <= 700
    ink = (picture[..., :3].min(axis=-1) < 0.8).mean()
    assert 0.03 < ink < 0.9
    return picture


def test_what_it_shows(lake_day):
    day = lake_day()
    strip = depth_strip(day, US)
    assert strip.unit == "ft"
    assert (strip.hour[0], strip.hour[-1], strip.hour.size) == (0.0, HOURS - 1, HOURS)
    assert strip.likely.shape == (strip.depth.size, strip.hour.size)
    assert (strip.tops, strip.foot) == pytest.approx((8.0, 16.0), abs=0.1)  # as entered, in ft
    assert (strip.depth > 0).all()
    assert (strip.depth < strip.foot).all()
    assert strip.trips == ((5.5, 11.0), (29.5, 35.0), (53.5, 59.0))
    assert [name for _, name in strip.days] == ["Tue Jul 21", "Wed Jul 22", "Thu Jul 23"]
    assert [place for place, _ in strip.days] == [12.0, 36.0, 60.0]


@pytest.mark.parametrize("words", [US, METRIC])
def test_all_the_chance_there_is_and_no_more(lake_day, words):
    strip = depth_strip(lake_day(), words)
    step = strip.depth[1] - strip.depth[0]
    assert (strip.likely >= 0).all()
    np.testing.assert_allclose(strip.likely.sum(axis=0) * step, 1.0, atol=0.1)  # layers end where bands do not


def test_the_shading_follows_the_call(lake_day):
    day = lake_day()
    assert day.outlook is not None
    strip = depth_strip(day, US)
    call = day.outlook.calls[day.main_species]
    shown = np.isin(
        call.time, call.time[call.time >= np.datetime64(day.start.replace(tzinfo=None) - timedelta(hours=5.5))]
    )
    tight = call.probability[2][..., shown][:, :HOURS].mean(axis=0)
    assert np.corrcoef(tight, strip.likely[-1])[0, 1] > 0.999


def test_bait_is_in_the_water_inside_the_trip(lake_day, lake):
    for name in ("thrennick", "umberfold", "skarrow", None):
        strip = depth_strip(lake_day(lake(name)), US)
        assert strip.baits
        for start, end, top, bottom in strip.baits:
            assert strip.trips[0][0] <= start < end <= strip.trips[0][1]
            assert 0 <= top < bottom <= strip.foot + 1e-9
        starts = [bait[0] for bait in strip.baits]
        assert starts == sorted(starts)


def test_fronts_stand_with_their_range(lake_day):
    day = lake_day(day=lake_day().day - timedelta(days=1))
    assert day.outlook is not None
    strip = depth_strip(day, US)
    assert len(strip.fronts) == 1
    for earliest, onset, latest in strip.fronts:
        assert onset - earliest == latest - onset == FRONT_DOUBT.total_seconds() / 3600
        assert latest >= 0
        assert earliest < HOURS
    midnight = day.start - timedelta(hours=5.5)
    onsets = [(front.onset - midnight).total_seconds() / 3600 for front in day.outlook.fronts]
    assert strip.fronts[0][1] in onsets


def test_nights_are_where_the_sun_is_down(lake_day):
    day = lake_day()
    assert day.outlook is not None
    strip = depth_strip(day, US)
    assert len(strip.nights) == 4  # the rest of one, two whole ones, the start of one
    rise = day.outlook.sun_events.sunrise
    assert rise is not None
    first = (rise - (day.start - timedelta(hours=5.5))).total_seconds() / 3600
    assert strip.nights[0][1] == pytest.approx(first, abs=1.0)


def test_for_a_metric_reader(lake_day):
    feet, metres = depth_strip(lake_day(), US), depth_strip(lake_day(), METRIC)
    assert metres.unit == "m"
    np.testing.assert_allclose(metres.depth, feet.depth * 0.3048)
    assert "Wed 22 Jul" in [name for _, name in metres.days]
    drawn(metres)


def test_the_picture(lake_day, lake):
    weeds, rock = (depth_strip(lake_day(lake(name)), US) for name in ("thrennick", "skarrow"))
    assert (weeds.foot_name, rock.foot_name) == ("foot of the weed edge", "foot of the rock")
    assert not np.array_equal(drawn(weeds)[:100], drawn(rock)[:100])


def test_the_same_data_draw_the_same_picture(lake_day):
    strip = depth_strip(lake_day(), US)
    assert draw_depth_strip(strip) == draw_depth_strip(strip)


def test_on_the_equator_and_beyond_the_polar_circle(lake, lake_day, hours):
    for latitude, nights in ((0.0, 4), (75.0, 0), (-75.0, 1)):
        of = lake(latitude=latitude, longitude=-74.2, zone="America/New_York")
        strip = depth_strip(lake_day(of), US)
        assert len(strip.nights) == nights  # beyond the circles the sun of July never sets, or never rises
        drawn(strip)


def test_hours_that_end_early_or_start_late(lake_day, lake, hours):
    day = lake_day()
    assert day.outlook is not None
    trip = day.outlook.trip
    short = type(hours)(
        time=hours.time[trip.start - 2 : trip.stop],
        columns={name: values[trip.start - 2 : trip.stop] for name, values in hours.columns.items()},
    )
    cut = lake_day(hourly=short)
    assert cut.outlook is not None
    strip = depth_strip(cut, US)
    assert strip.hour.size == trip.stop - trip.start + 2
    assert strip.fronts == ()
    first = (np_to_datetime(short.time[0]) - (cut.start - timedelta(hours=5.5))).total_seconds() / 3600
    assert strip.hour[0] == first
    drawn(strip)


def test_missing_values(lake_day, with_columns):
    gone = with_columns(shortwave_wm2=np.nan, dew_point_c=np.nan, cape_jkg=np.nan, wind_from_deg=np.nan)
    strip = depth_strip(lake_day(hourly=gone), US)
    assert np.isfinite(strip.likely).all()
    drawn(strip)


@pytest.mark.parametrize("name", ["$\\frac{1}{$", "Lake $5 and $6", "湖の名前", "Ł" * 80, "a^b_c"])
def test_any_name_can_be_drawn(lake, lake_day, name):
    strip = depth_strip(lake_day(lake("thrennick", name=name)), US)
    assert name in strip.alt
    drawn(strip)


def test_the_alternative_text_says_what_the_picture_does(lake_day):
    strip = depth_strip(lake_day(), US)
    assert strip.alt.startswith("Water column of Lake Thrennick over three days: 5:30-")
    assert strip.alt.count("bait ") == len(strip.baits)


def test_nothing_to_draw_without_an_outlook(lake_day):
    with pytest.raises(ValueError, match="without an outlook"):
        depth_strip(lake_day(hourly=None), US)
