"""What a thermometer showed."""

from dataclasses import dataclass
from datetime import datetime

#: whom to name where readings of a source are shown, and what to say of them
CREDITS = {"usgs": "Source: US Geological Survey. Provisional data are subject to revision."}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One temperature of the water, as it was read."""

    at: datetime  #: aware, UTC; noon of the day where the hour is not known
    temp_c: float
    depth_m: float | None = None  #: None: near the surface, as is usual
    hour_known: bool = True
    source: str  #: typed, file, usgs, logbook
    known_at: datetime  #: when it was first known here; a replay looks at nothing that came later
    is_day_mean: bool = False  #: already the mean of its day, as the many readings of a gauge are joined to
