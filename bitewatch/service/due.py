"""What is due: a query over local date, wall time and zone, never a timer."""

from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from bitewatch.lake.local_time import first_instant, local_instant
from bitewatch.presentation.trip import TripHours
from bitewatch.service.subscriptions import DAYS, Subscription

BRIEF_NEAR = timedelta(minutes=90)  #: a turn that is not urgent leaves it to a brief so near to tell [own]
LATE_AFTER = timedelta(minutes=15)  #: from here on a brief says that it is late [own]


class Held(StrEnum):
    """Why a turn is not sent now."""

    QUIET = "it is in the reader's quiet hours"
    BRIEF_NEAR = "the next brief is near and will tell"
    ENOUGH = "as many turns as the settings allow have gone out today"


@dataclass(frozen=True, slots=True, kw_only=True)
class DueBrief:
    """One brief that a subscription is owed now."""

    subscription: Subscription
    local_date: date  #: the day of sending, in the zone of the first lake
    day: date  #: the day it speaks of
    due: datetime
    expires_at: datetime  #: the end of the local date

    def notices(self, now: datetime) -> tuple[str, ...]:
        """That it is late, and by how much; nothing if it is in time."""
        late = now - self.due
        if late < LATE_AFTER:
            return ()
        minutes = round(late.total_seconds() / 60)
        told = f"{minutes} minutes" if minutes < 120 else f"{minutes // 60} hours"
        return (f"This brief is {told} late.",)


def due_brief(
    subscription: Subscription, zone: ZoneInfo, *, now: datetime, decided: AbstractSet[tuple[str, date]]
) -> DueBrief | None:
    """The brief that a subscription is owed at this instant, or None.

    Owed from its wall time to the end of the local date, once; never for a wall time before the subscription was made,
    never for a day that the reader does not fish, and only today: there is no catching up with yesterday.
    """
    local_date = now.astimezone(zone).date()
    if (subscription.id, local_date) in decided:
        return None
    day = local_date + timedelta(days=1) if subscription.speaks_of == "tomorrow" else local_date
    if DAYS[day.weekday()] not in subscription.days:
        return None
    due = local_instant(local_date, subscription.at, zone)
    if due is None or now < due or due < subscription.created_at:
        return None
    expires_at = first_instant(local_date + timedelta(days=1), zone)
    return DueBrief(subscription=subscription, local_date=local_date, day=day, due=due, expires_at=expires_at)


def why_held(
    subscription: Subscription, zone: ZoneInfo, *, now: datetime, urgent: bool, sent_today: int, most_a_day: int,
    quiet_hours: str,
) -> Held | None:  # fmt: skip
    """Why a turn must wait, or None if it may go out now; what is urgent never waits."""
    if urgent:
        return None
    if _is_quiet(subscription.quiet if subscription.quiet is not None else quiet_hours, now.astimezone(zone)):
        return Held.QUIET
    if any(timedelta(0) <= due - now <= BRIEF_NEAR for due in _next_due(subscription, zone, now)):
        return Held.BRIEF_NEAR
    return Held.ENOUGH if sent_today >= most_a_day else None


def _is_quiet(quiet: str, local: datetime) -> bool:
    if not quiet:
        return False
    hours = TripHours.parse(quiet)
    wall = local.time()
    if hours.end > hours.start:
        return hours.start <= wall < hours.end
    return wall >= hours.start or wall < hours.end


def _next_due(subscription: Subscription, zone: ZoneInfo, now: datetime) -> list[datetime]:
    """The due instants of today's brief and tomorrow's."""
    found = []
    for ahead in (0, 1):
        local_date = now.astimezone(zone).date() + timedelta(days=ahead)
        day = local_date + timedelta(days=1) if subscription.speaks_of == "tomorrow" else local_date
        due = local_instant(local_date, subscription.at, zone)
        if due is not None and DAYS[day.weekday()] in subscription.days:
            found.append(due)
    return found
