"""A lake's call as far as a turn of it is judged: what a reader of a brief or a turn has been told."""

from datetime import datetime, timedelta

import numpy as np

from bitewatch.brief import front_lines, official_lines
from bitewatch.brief.facts import window_times
from bitewatch.brief.lake_day import LakeDay
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.position.turn import FrontAhead, Now, Told, ToldWarning, ToldWindow
from bitewatch.weather.following import KnownFront
from bitewatch.weather.hourly import Floats

FRONTS_BACK = timedelta(hours=24)  #: fronts longer past than this are not announced any more


def told_view(lake_day: LakeDay) -> Told:
    """What a reader of this lake and trip is told now."""
    outlook, windows = lake_day.outlook, list[ToldWindow]()
    for window in outlook.plans[lake_day.main_species] if outlook else ():
        assert outlook is not None
        start, end = window_times(lake_day, outlook, window)
        windows.append(
            ToldWindow(
                start=start, end=end, position=window.position, technique=window.main.technique.id,
                bait_top_m=window.main.bait.top_m, bait_bottom_m=window.main.bait.bottom_m,
                place=window.spot.name if window.spot else "",
            )
        )  # fmt: skip
    return Told(
        source=lake_day.weather.source if lake_day.weather else "",
        windows=tuple(windows),
        fronts=tuple(
            _ahead(front)
            for front in front_lines.cold(lake_day)
            if lake_day.now - front_lines.onset(front) <= FRONTS_BACK
        ),
        warnings=tuple(
            ToldWarning(
                id=one.id, event=one.event, onset=one.onset, ends=one.ends, message=one.message_id,
                references=one.references, severity=one.severity,
            )
            for one in official_lines.in_trip(lake_day)
        ),
    )  # fmt: skip


def turn_view(lake_day: LakeDay) -> Now:
    """The same, with how likely each position is hour by hour, and the fronts that are gone."""
    outlook = lake_day.outlook
    time: tuple[datetime, ...] = ()
    probability: Floats = np.empty((3, 0))
    if outlook is not None:
        time = tuple(np_to_datetime(hour) for hour in outlook.hourly.time[outlook.trip])
        probability = outlook.calls[lake_day.main_species].probability[..., outlook.trip].mean(axis=1)
    gone = tuple(_ahead(front) for front in front_lines.gone(lake_day))
    return Now(view=told_view(lake_day), time=time, probability=probability, gone=gone)


def _ahead(front: KnownFront) -> FrontAhead:
    return FrontAhead(id=front.id, onset=front_lines.onset(front), strength=front.strength)
