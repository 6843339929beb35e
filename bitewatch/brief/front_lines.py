"""Fronts as a reader is told of them: with the range of their hour, and what became of those announced."""

from collections.abc import Callable, Iterable
from datetime import datetime, timedelta

from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.words import Words, strength_words
from bitewatch.weather.following import KnownFront, Standing
from bitewatch.weather.fronts import FrontKind

FRONT_DOUBT = timedelta(
    hours=3
)  #: to each side, where a front is known from one issue only; its timing is unproven [own]
SHARP = timedelta(hours=1)  #: a range shorter than this to each side is told as one hour
RECENT = timedelta(hours=120)  #: how long a front is told of, as long as rules look back
STANDING = (Standing.FORETOLD, Standing.CONFIRMED)


def known(lake_day: LakeDay) -> tuple[KnownFront, ...]:
    """Every front of a lake: as followed from issue to issue, else as the one issue at hand tells it."""
    if lake_day.known_fronts or lake_day.outlook is None or lake_day.weather is None:
        return lake_day.known_fronts
    seen_at = lake_day.weather.retrieved_at
    return tuple(
        KnownFront(
            id=None, kind=front.kind, onset=front.onset, earliest=front.onset - FRONT_DOUBT,
            latest=front.onset + FRONT_DOUBT, strength=front.strength, surge_at=front.surge_at, told_onset=front.onset,
            source=lake_day.weather.source, found_at=seen_at, seen_at=seen_at,
        )
        for front in lake_day.outlook.fronts
    )  # fmt: skip


def cold(lake_day: LakeDay) -> tuple[KnownFront, ...]:
    """The cold fronts that stand, in order of time."""
    return _of(lake_day, lambda front: front.kind is FrontKind.COLD and front.standing in STANDING)


def warm(lake_day: LakeDay) -> tuple[KnownFront, ...]:
    """The warm fronts that stand, in order of time."""
    return _of(lake_day, lambda front: front.kind is not FrontKind.COLD and front.standing in STANDING)


def gone(lake_day: LakeDay) -> tuple[KnownFront, ...]:
    """The cold fronts that are no longer seen, or did not come."""
    return _of(lake_day, lambda front: front.kind is FrontKind.COLD and front.standing not in STANDING)


def _of(lake_day: LakeDay, chosen: Callable[[KnownFront], bool]) -> tuple[KnownFront, ...]:
    return tuple(sorted(filter(chosen, known(lake_day)), key=lambda front: front.onset))


def onset(front: KnownFront) -> datetime:
    """When a front passes, or passed by a station's hours."""
    return front.observed_onset or front.onset


def in_trip(lake_day: LakeDay) -> tuple[KnownFront, ...]:
    """The cold fronts that pass, or may pass, between launch and haul-out."""
    return tuple(front for front in cold(lake_day) if _may_touch(front, lake_day.start, lake_day.end))


def _may_touch(front: KnownFront, start: datetime, end: datetime) -> bool:
    if front.observed_onset is not None:
        return start <= front.observed_onset <= end
    return front.earliest <= end and front.latest >= start


def when(front: KnownFront, words: Words, *, day: bool = True) -> str:
    """The hour of a front, or the range that it lies in."""
    if front.observed_onset is not None:
        return _about(front.observed_onset, words, day)
    if max(front.latest - front.onset, front.onset - front.earliest) < SHARP:
        return _about(front.onset, words, day)
    return words.hours_between(front.earliest, front.latest, day=day)


def _about(instant: datetime, words: Words, day: bool) -> str:
    return words.moment(instant) if day else words.hour(instant)


def told(front: KnownFront, words: Words, *, day: bool = True) -> str:
    """The hour, the strength, a second surge, and whether a station saw it."""
    parts = [when(front, words, day=day), strength_words(front.strength)]
    if front.surge_at is not None:
        parts.append(f"with a second surge {_about_beside(front.surge_at, onset(front), words)}")
    if front.observed_onset is not None:
        parts.append("as a station saw it pass")
    return ", ".join(parts)


def _about_beside(instant: datetime, other: datetime, words: Words) -> str:
    """An hour, with its day where that is not the day of the other."""
    same_day = instant.astimezone(words.zone).date() == other.astimezone(words.zone).date()
    return _about(instant, words, day=not same_day)


def in_trip_words(lake_day: LakeDay, words: Words) -> list[str]:
    """That a cold front passes during the trip, or may: for the first lines."""
    lines = []
    for front in in_trip(lake_day):
        inside = lake_day.start <= onset(front) <= lake_day.end
        opening = "Cold front during the trip" if inside else "A cold front may pass during the trip"
        if front.observed_onset is not None:
            opening = "A cold front has passed during the trip"
        lines.append(f"{opening}, {told(front, words, day=False)}.")
    return lines


def why_words(lake_day: LakeDay, words: Words, *, seen: bool) -> list[str]:
    """The last cold front before the trip, or that there is none; then warm ones, and those that did not come."""
    past = [front for front in cold(lake_day) if _before_trip(front, lake_day)]
    if past:
        opening = "Cold front before the trip" if onset(past[-1]) > lake_day.now else "Last cold front"
        lines = [f"{opening}: {told(past[-1], words)}."]
    elif seen:
        lines = ["No cold front in the five days before."]
    else:
        lines = ["Whether a cold front passed in the five days before cannot be seen in these hours."]
    for front in warm(lake_day):
        if timedelta(0) <= lake_day.start - front.onset <= timedelta(hours=24):
            passes = "passes" if front.onset > lake_day.now else "passed"
            lines.append(f"A warm front {passes} before the trip, {when(front, words)}: milder air behind it.")
    return [*lines, *gone_lines(lake_day, words)]


def gone_lines(lake_day: LakeDay, words: Words) -> list[str]:
    """The cold fronts announced for about the trip's day that did not come."""
    near = timedelta(hours=24)
    return [
        gone_words(front, words)
        for front in gone(lake_day)
        if lake_day.start - near <= front.onset <= lake_day.end + near
    ]


def touches_call(front: KnownFront, lake_day: LakeDay) -> bool:
    """True if a front passes so near to the trip that its call is made from it: two days before to half a day after."""
    return lake_day.start - timedelta(hours=48) <= onset(front) <= lake_day.end + timedelta(hours=12)


def _before_trip(front: KnownFront, lake_day: LakeDay) -> bool:
    is_past = timedelta(0) <= lake_day.start - onset(front) <= RECENT
    return is_past and not _may_touch(front, lake_day.start, lake_day.end)


def gone_words(front: KnownFront, words: Words) -> str:
    """That a front announced is no longer seen, or did not come."""
    what = "did not come, by a station's hours" if front.standing is Standing.WITHDRAWN else "is no longer seen"
    return f"The cold front announced for {words.moment(front.onset)} {what}."


def _after_trip(lake_day: LakeDay) -> list[KnownFront]:
    inside = in_trip(lake_day)
    return [front for front in cold(lake_day) if onset(front) > lake_day.start and front not in inside]


def cold_ahead(lake_day: LakeDay) -> bool:
    """True if a cold front falls into the trip, or is seen after it."""
    return bool(in_trip(lake_day) or _after_trip(lake_day))


def ahead_words(lake_day: LakeDay, words: Words) -> list[str]:
    """The fronts from the trip on: those inside it, and the next one after."""
    lines = in_trip_words(lake_day, words)
    lines += [f"Next cold front: {told(front, words)}." for front in _after_trip(lake_day)[:1]]
    for front in warm(lake_day):
        if lake_day.start < front.onset <= lake_day.end + timedelta(hours=24):
            inside = front.onset <= lake_day.end
            opening = "Warm front during the trip" if inside else "Warm front after the trip"
            lines.append(f"{opening}, {when(front, words, day=not inside)}: milder air behind it; no rule rests on it.")
    return lines


def passing_words(fronts: Iterable[KnownFront], words: Words) -> str:
    """The fronts of one day, in a few words that go on a sentence; empty if there are none."""
    return "".join(
        f", {strength_words(front.strength) + ' cold' if front.kind is FrontKind.COLD else 'warm'} front "
        f"{when(front, words, day=False)}"
        for front in fronts
    )
