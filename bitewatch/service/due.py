"""What is due: a query over local date, wall time and zone, never a timer."""

from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from bitewatch.lake.local_time import first_instant, local_instant
from bitewatch.service.subscriptions import DAYS, Subscription

LATE_AFTER = timedelta(minutes=15)  #: from here on a brief says that it is late [own]


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
