"""The water model beside GLM: how fast each is, and how far apart their surfaces are, from May to September.

Run by hand: ``python -m tests.bench.measure_water [FIRST LAST]`` in the repository, with days like 1980-04-15. Without
them it takes every year of GLM's example, some ten seconds of GLM. Times are processor times of one core: GLM's of its
whole process, ours of the march of ten thousand lakes through two hundred days of such air, best of five. Nothing is
fitted.
"""

import platform
import sys
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bitewatch.water.forcing import forcing
from bitewatch.water.slab import Basin, march
from bitewatch.water.surface import surface
from bitewatch.weather.daily import DAY, Days
from bitewatch.weather.hourly import Floats
from tests.bench.glm_process import Example, Run, example, installed, run

LAKES, DAYS, RUNS = 10_000, 200, 5
YEAR_DAYS = 365.25
MONTHS = range(5, 10)
COOLINGS, APART_D = 60, 3


@dataclass(frozen=True, kw_only=True)
class Speed:
    """The march of many lakes at once, best of some runs."""

    cpu_s: float
    wall_s: float

    @property
    def cpu_s_per_lake_year(self) -> float:
        return self.cpu_s / (LAKES * DAYS / YEAR_DAYS)


@dataclass(frozen=True, kw_only=True)
class Skill:
    """How far one series is from another, May to September."""

    days: int
    rmse_c: float
    bias_c: float
    by_month_c: tuple[float, ...]  #: root mean squares
    same_sign: float  #: share of the strongest coolings
    weakest_c: float  #: the weakest of the strongest coolings, in GLM's series


def in_summer(day: Days) -> NDArray[np.bool_]:
    return np.isin(month(day), MONTHS)


def month(day: Days) -> NDArray[np.int64]:
    return np.asarray(day.astype("datetime64[M]").astype(int) % 12 + 1)


def change_3d_c(day: Days, surface_c: Floats) -> Floats:
    """Change over three days, NaN where one end is out of the summer."""
    change = np.full(day.size, np.nan)
    change[APART_D:] = surface_c[APART_D:] - surface_c[:-APART_D]
    inside = in_summer(day)
    inside[APART_D:] &= inside[:-APART_D]
    inside[:APART_D] = False
    return np.where(inside, change, np.nan)


def strongest_coolings(change_c: Floats) -> list[int]:
    """Where the sixty strongest end: taken in order of strength, none within three days of one that was taken."""
    taken: list[int] = []
    for at in np.argsort(change_c):  # NaN last
        if len(taken) == COOLINGS or not change_c[at] < 0:
            break
        if all(abs(int(at) - other) >= APART_D for other in taken):
            taken.append(int(at))
    return taken


def skill(day: Days, theirs_c: Floats, ours_c: Floats) -> Skill:
    """One series held against that of GLM, on the days of which both are known."""
    summer = in_summer(day) & np.isfinite(ours_c)
    off = ours_c - theirs_c
    cooled = strongest_coolings(change_3d_c(day, theirs_c))
    there, here = change_3d_c(day, theirs_c)[cooled], change_3d_c(day, ours_c)[cooled]
    return Skill(
        days=int(summer.sum()), rmse_c=rms(off[summer]), bias_c=float(off[summer].mean()),
        by_month_c=tuple(rms(off[summer & (month(day) == number)]) for number in MONTHS),
        same_sign=float((here < 0).mean()) if len(cooled) == COOLINGS else float("nan"), weakest_c=float(there.max()),
    )  # fmt: skip


def rms(off_c: Floats) -> float:
    return float(np.sqrt(np.mean(off_c**2)))


def ours_on(of: Example, day: Days) -> Floats:
    """Our surface of the same lake under the same air, on some days."""
    told = surface(of.daily, basin=of.basin, latitude=of.latitude, elevation_m=of.elevation_m)
    return told.model_c[np.searchsorted(told.day, day)]


def by_the_calendar(day: Days, theirs_c: Floats) -> Floats:
    """GLM's own mean for the day of the year: what one knows of a lake without looking at the weather."""
    of_year = (day - day.astype("datetime64[Y]")).astype(int)
    mean_c = np.bincount(of_year, theirs_c) / np.maximum(np.bincount(of_year), 1)
    return np.asarray(mean_c[of_year])


def speed(of: Example) -> Speed:
    """Many invented lakes from April on, each under the air of one of the example's years."""
    air = forcing(of.daily, latitude=of.latitude, elevation_m=of.elevation_m)
    first, last = (int(day[:4]) for day in of.stretch)
    starts = (np.arange(first, last).astype(str).astype("datetime64[Y]") + np.timedelta64(3, "M")).astype(
        "datetime64[D]"
    )
    rows = ((starts - air.day[0]) // DAY)[np.arange(LAKES) % starts.size][:, None] + np.arange(DAYS)
    columns = {
        name: getattr(air, name)[rows]
        for name in ("shortwave_wm2", "air_temp_c", "vapour_hpa", "wind_speed_ms", "pressure_hpa")
    }
    rng = np.random.default_rng(4)
    lakes = Basin(
        area_km2=10 ** rng.uniform(-1.5, 1.5, LAKES), mean_depth_m=rng.uniform(1.5, 15, LAKES),
        secchi_m=rng.uniform(0.5, 6, LAKES),
    )  # fmt: skip
    latitude, day = of.latitude + rng.uniform(-5, 5, LAKES), air.day[rows[0]]
    cpu_s, wall_s = [], []
    for _ in range(RUNS):
        began, began_cpu = time.perf_counter(), time.process_time()
        ended = march(latitude=latitude, day=day, **columns, basin=lakes, start_c=4.0)
        cpu_s.append(time.process_time() - began_cpu)
        wall_s.append(time.perf_counter() - began)
        assert ended.shape == (LAKES, DAYS)
        assert np.isfinite(ended).all()
    return Speed(cpu_s=min(cpu_s), wall_s=min(wall_s))


def speed_lines(glm: Run, ours: Speed) -> list[str]:
    """Both times and their ratio, in words."""
    return [
        f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}",
        f"GLM: {glm.day.size:,} days in {glm.cpu_s:.2f} s, {glm.cpu_s_per_lake_year * 1e3:.0f} ms a lake-year",
        f"march: {LAKES:,} lakes x {DAYS} days in {ours.cpu_s:.2f} s ({ours.wall_s:.2f} s by the clock), "
        f"{ours.cpu_s_per_lake_year * 1e6:.0f} us a lake-year, {1 / ours.cpu_s_per_lake_year:,.0f} lake-years a second",
        f"ratio: {glm.cpu_s_per_lake_year / ours.cpu_s_per_lake_year:,.0f} times as fast",
    ]


def skill_lines(who: str, of: Skill) -> list[str]:
    """How near a series is to GLM's, in words."""
    months = ", ".join(f"{value:.2f}" for value in of.by_month_c)
    return [
        f"{who} against GLM, {of.days:,} days, May to September: RMSE {of.rmse_c:.2f} degC, mean {of.bias_c:+.2f}; "
        f"by month {months}",
        f"  sign on GLM's {COOLINGS} strongest coolings over three days ({of.weakest_c:.1f} degC and more): "
        f"{of.same_sign:.0%}",
    ]


def main() -> None:
    """Both models over a stretch of days."""
    if not installed():
        sys.exit("glm-py brings no program for this machine")
    of = example()
    first, last = sys.argv[1:3] if len(sys.argv) > 2 else of.stretch
    glm = run(of, first, last)
    ours_c = ours_on(of, glm.day)
    print("\n".join(speed_lines(glm, speed(of))))
    print("\n".join(skill_lines("ours", skill(glm.day, glm.surface_c, ours_c))))
    print(
        "\n".join(skill_lines("the calendar", skill(glm.day, glm.surface_c, by_the_calendar(glm.day, glm.surface_c))))
    )


if __name__ == "__main__":
    main()
