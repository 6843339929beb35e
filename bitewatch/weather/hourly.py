"""The canonical hourly table of the air over one cell, or over many at once: time on the last axis.

Column names carry their units; an instant unless said. A missing value is NaN here, an empty cell in CSV, null in JSON.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

#: column -> lowest and highest value that is believed; outside, a value is missing (WMO-like gross limits, own choice)
LIMITS: Mapping[str, tuple[float, float]] = {
    "pressure_hpa": (870.0, 1085.0),  # mean sea level
    "air_temp_c": (-70.0, 60.0),
    "dew_point_c": (-80.0, 40.0),
    "humidity_pct": (0.0, 105.0),
    "wind_speed_ms": (0.0, 120.0),
    "wind_from_deg": (0.0, 360.0),
    "wind_gust_ms": (0.0, 120.0),
    "cloud_pct": (0.0, 100.0),
    "precip_mm": (0.0, 500.0),  # sum of the hour ending at time
    "shortwave_wm2": (0.0, 1500.0),  # mean of the hour ending at time
    "cape_jkg": (0.0, 10000.0),
}
COLUMNS = tuple(LIMITS)
CORE_COLUMNS = ("pressure_hpa", "air_temp_c", "wind_speed_ms")  #: without any of these there is no call

HOUR = np.timedelta64(3600, "s")

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hourly:
    """Every hour from the first to the last, without gaps in the axis; every column is there, NaN where missing.

    Attributes
    ----------
    time : ndarray of datetime64[s], shape (T,)
        Whole hours, UTC, increasing by one hour.
    columns : mapping of str to ndarray of float64, shape (..., T)
        Each of `COLUMNS`, all of one shape.
    """

    time: Times
    columns: Mapping[str, Floats]

    def __post_init__(self) -> None:
        if self.time.size and (np.diff(self.time) != HOUR).any():
            raise ValueError("hours must follow each other without a gap")
        if set(self.columns) != set(COLUMNS):
            raise ValueError(f"columns must be {COLUMNS}")
        if len({values.shape for values in self.columns.values()}) != 1 or self[COLUMNS[0]].shape[-1] != self.time.size:
            raise ValueError("every column must have the hours on its last axis")

    def __getitem__(self, column: str) -> Floats:
        return self.columns[column]

    def frame(self) -> "pd.DataFrame":
        """The table of one cell as pandas sees it, indexed by aware UTC times."""
        import pandas as pd

        index = pd.DatetimeIndex(self.time, tz="UTC", name="time")
        return pd.DataFrame({column: self[column] for column in COLUMNS}, index=index)


def from_points(time: Times, columns: Mapping[str, Floats]) -> Hourly:
    """One cell's hourly table from points at whole hours, in order, each at most once; hours between them are missing.

    Parameters
    ----------
    time : ndarray of datetime64[s], shape (N,)
        Whole hours, UTC, increasing.
    columns : mapping of str to ndarray of float64, shape (N,)
        Any of `COLUMNS`; what is not given is missing throughout.

    Raises
    ------
    ValueError
        If there are no points, or they are not whole hours in increasing order.
    """
    if time.size == 0:
        raise ValueError("there are no hours")
    steps = np.diff(time)
    if (steps <= np.timedelta64(0, "s")).any() or (time != time.astype("datetime64[h]")).any():
        raise ValueError("hours must be whole, each once, in increasing order")
    axis = np.arange(time[0], time[-1] + HOUR, HOUR)
    place = ((time - time[0]) // HOUR).astype(int)
    full = {}
    for column in COLUMNS:
        full[column] = np.full(axis.size, np.nan)
        if column in columns:
            full[column][place] = columns[column]
    return Hourly(time=axis, columns=full)
