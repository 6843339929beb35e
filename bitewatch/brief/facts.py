"""The numbers of a brief, as plain data: for programs that read it, and for the next brief to compare with."""

from datetime import UTC, datetime
from typing import Any

import numpy as np

from bitewatch.brief import front_lines, official_lines
from bitewatch.brief.lake_day import LakeDay, Outlook
from bitewatch.brief.water_lines import water_facts
from bitewatch.lake.local_time import np_to_datetime
from bitewatch.lake.profile import Species
from bitewatch.position.call import Reason, reasons
from bitewatch.presentation.depths import Band
from bitewatch.presentation.plan import POSITIONS, Offer, PlannedWindow
from bitewatch.weather.following import KnownFront


def instant_text(instant: datetime | None) -> str | None:
    """An instant as ISO text in UTC."""
    return None if instant is None else instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def window_times(lake_day: LakeDay, outlook: Outlook, window: PlannedWindow) -> tuple[datetime, datetime]:
    """From when to when a window lasts: half-way between its hours and their neighbours, inside the trip."""
    half = np.timedelta64(1800, "s")
    first, last = outlook.trip.start + window.hours.start, outlook.trip.start + window.hours.stop - 1
    start = np_to_datetime(outlook.hourly.time[first] - half)
    end = np_to_datetime(outlook.hourly.time[last] + half)
    return max(start, lake_day.start), min(end, lake_day.end)


def trip_reasons(outlook: Outlook, species: Species) -> tuple[Reason, ...]:
    """Why the first position of the trip, over the whole trip, at the first place."""
    first = outlook.plans[species][0]
    hours = np.arange(outlook.trip.start, outlook.trip.stop)
    return reasons(outlook.calls[species].lane(first.lane), first.position, hours)


def window_reasons(outlook: Outlook, species: Species, window: PlannedWindow) -> tuple[Reason, ...]:
    """Why the position of one window, over its own hours, at its place."""
    hours = outlook.trip.start + np.arange(window.hours.start, window.hours.stop)
    return reasons(outlook.calls[species].lane(window.lane), window.position, hours)


def lake_facts(lake_day: LakeDay) -> dict[str, Any]:
    """The facts of one lake; missing numbers are None."""
    outlook = lake_day.outlook
    facts: dict[str, Any] = {
        "lake": lake_day.lake.id,
        "name": lake_day.lake.name,
        "day": lake_day.day.isoformat(),
        "trip": {"start": instant_text(lake_day.start), "end": instant_text(lake_day.end)},
        "no_call": lake_day.no_call or None,
        "weed_tops": _depth_facts(lake_day.depths.tops_m, lake_day.depths.tops_low_m, lake_day.depths.tops_high_m),
        "weed_edge": _depth_facts(lake_day.depths.edge_m, lake_day.depths.edge_low_m, lake_day.depths.edge_high_m),
        "weather": None,
        "fronts": [
            _front_facts(front)
            for front in front_lines.known(lake_day)
            if lake_day.start - front_lines.onset(front) <= front_lines.RECENT
        ],
        "official": _official_facts(lake_day),
        "calls": [],
        "missing": [],
        "wind": None,
        "water": None,
        "season_over": _season_over(lake_day),
        "doubts": list(lake_day.doubts),
    }
    if lake_day.weather is not None:
        facts["weather"] = {
            "source": lake_day.weather.source,
            "model": lake_day.weather.model,
            "retrieved_at": instant_text(lake_day.weather.retrieved_at),
            "reference_time": instant_text(lake_day.weather.reference_time),
            "payload_sha256": lake_day.weather.payload_sha256,
            "freshness": lake_day.weather.freshness.value,
            "switched_from": lake_day.weather.switched_from or None,
        }
    if outlook is not None:
        facts |= _outlook_facts(lake_day, outlook)
    return facts


def _season_over(lake_day: LakeDay) -> str | None:
    ice = lake_day.season.ice
    return None if not lake_day.season.over or ice is None else ice.words


def _outlook_facts(lake_day: LakeDay, outlook: Outlook) -> dict[str, Any]:
    trip = outlook.trip
    return {
        "missing": list(outlook.missing),
        "water": water_facts(outlook),
        "wind": {
            "wind_max_ms": _most(outlook.hourly["wind_speed_ms"][trip]),
            "gust_max_ms": _most(outlook.hourly["wind_gust_ms"][trip]),
            "wave_max_m": _most(outlook.wave_height_m[trip]),
            "wave_period_s": _most(outlook.wave_period_s[trip]),
        },
        "calls": [
            {
                "species": species.value,
                "rule_book": outlook.book.hash,
                "windows": [_window_facts(lake_day, outlook, window) for window in plan],
                "reasons": [
                    {"rule": reason.rule_id, "push": _number(reason.push)} for reason in trip_reasons(outlook, species)
                ],
            }
            for species, plan in outlook.plans.items()
        ],
    }


def _front_facts(front: KnownFront) -> dict[str, Any]:
    return {
        "id": front.id,
        "kind": front.kind.value,
        "onset": instant_text(front.onset),
        "earliest": instant_text(front.earliest),
        "latest": instant_text(front.latest),
        "strength": _number(front.strength, 2),
        "surge": instant_text(front.surge_at),
        "standing": front.standing.value,
        "observed": instant_text(front.observed_onset),
    }


def _official_facts(lake_day: LakeDay) -> dict[str, Any]:
    official = lake_day.official
    inside = official_lines.in_trip(lake_day)
    return {
        "state": official.state.value,
        "read_at": instant_text(official.read_at),
        "why": official.why or None,
        "warnings": [
            {
                "id": one.id,
                "message": one.message_id,
                "event": official_lines.one_line(one.event),
                "headline": official_lines.one_line(one.headline),
                "severity": official_lines.one_line(one.severity),
                "sender": official_lines.one_line(one.sender_name),
                "onset": instant_text(one.onset),
                "ends": instant_text(one.ends),
                "web": official_lines.link(one),
                "in_trip": one in inside,
            }
            for one in (*inside, *(one for one in official.warnings if one not in inside))
        ],
    }


def _window_facts(lake_day: LakeDay, outlook: Outlook, window: PlannedWindow) -> dict[str, Any]:
    start, end = window_times(lake_day, outlook, window)
    return {
        "start": instant_text(start),
        "end": instant_text(end),
        "position": window.position.value,
        "probability": {
            position.value: _number(p, 4) for position, p in zip(POSITIONS, window.probability, strict=True)
        },
        "toss_up_with": window.toss_up.value if window.toss_up else None,
        "pace": window.pace.value,
        "spot": window.spot.name if window.spot else None,
        "fish": band_facts(window.fish),
        "main": _offer_facts(window.main),
        "then": _offer_facts(window.then) if window.then else None,
        "modifiers": [modifier.id for modifier in window.modifiers],
    }


def _offer_facts(offer: Offer) -> dict[str, Any]:
    return {"position": offer.position.value, "technique": offer.technique.id, "bait": band_facts(offer.bait)}


def _depth_facts(depth_m: float, low_m: float, high_m: float) -> dict[str, Any]:
    return {"m": _number(depth_m), "low_m": _number(low_m), "high_m": _number(high_m)}


def band_facts(band: Band) -> dict[str, Any]:
    """A band of depths."""
    return {"top_m": _number(band.top_m), "bottom_m": _number(band.bottom_m)}


def _number(value: float, digits: int = 3) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def _most(values: np.ndarray[Any, np.dtype[np.float64]]) -> float | None:
    known = values[~np.isnan(values)]
    return _number(float(known.max())) if known.size else None
