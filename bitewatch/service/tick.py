"""One tick: refresh weather, decide what is owed, send what is due."""

import json
import logging
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.exc import OperationalError

from bitewatch.delivery.address import Kind
from bitewatch.delivery.decide import Decided, Owed, decide, decide_failed
from bitewatch.delivery.deliver import Channels, Counts, deliver_due, why_email_waits
from bitewatch.delivery.outbox import sweep_expired
from bitewatch.delivery.recovery import next_epoch, recover
from bitewatch.delivery.tables import decision
from bitewatch.errors import BitewatchError
from bitewatch.lake.profile import Lake
from bitewatch.service.due import DueBrief, due_brief
from bitewatch.service.make_brief import brief_message, make_brief, message_domain
from bitewatch.service.outside import Outside
from bitewatch.service.season_over import all_told_over, note_season
from bitewatch.service.shown import keep_shown
from bitewatch.service.subscriptions import Subscription, list_subscriptions
from bitewatch.service.tidy import tidy
from bitewatch.service.turns import Turns
from bitewatch.settings import Settings
from bitewatch.store.database import Store
from bitewatch.store.events import Event, record
from bitewatch.store.facts import set_fact
from bitewatch.store.metadata import event

log = logging.getLogger(__name__)

REFRESH_S = 20.0  #: how long one tick asks for weather that nobody waits for; the next tick goes on
NO_FARTHER_BACK = timedelta(days=2)  #: only today is ever owed, and no zone is two days from UTC's date

#: of events that are not told as INFO; a payload that is set aside makes its source count as down, and that is told
LEVELS = {
    Event.FORECAST_SET_ASIDE: logging.DEBUG, Event.MESSAGE_FAILED: logging.WARNING, Event.SOURCE_DOWN: logging.WARNING,
}  # fmt: skip


@dataclass(kw_only=True)
class Service:
    """What a running service holds: the store, the settings, and the epoch that fences older processes off."""

    settings: Settings
    store: Store
    outside: Outside
    now: Callable[[], datetime]
    monotonic: Callable[[], float] = time.monotonic
    turns: Turns = field(init=False)
    epoch: int = field(init=False)
    _told: int = field(init=False)  #: the last event that the log has told of
    _told_waits: str | None = field(init=False, default=None)  #: why mails wait, as the log has told
    _resting: set[tuple[str, date]] = field(init=False, default_factory=set)  #: whose lakes are all under ice that day
    _without_lakes: set[str] = field(init=False, default_factory=set)  #: subscriptions that the log has told of

    def __post_init__(self) -> None:
        self.turns = Turns(self.settings, self.store, self.outside, now=self.now)
        with self.store.read() as connection:
            self._told = connection.execute(select(func.coalesce(func.max(event.c.id), 0))).scalar_one()
        self._take_over()

    def _take_over(self) -> None:
        with self.store.write() as connection:
            self.epoch = next_epoch(connection)
            left = recover(connection, epoch=self.epoch, now=self.now())
        if left.not_sent or left.unknown:
            log.info("an earlier process left %d messages unsent and %d in doubt", left.not_sent, left.unknown)

    @property
    def channels(self) -> Channels:
        """What messages are sent with."""
        config = self.settings.config
        return Channels(smtp=config.smtp, smtp_password=self.settings.smtp_password, webhook=config.webhook)

    def tick(self) -> Counts:
        """Everything that is due now; a second run right after finds nothing left to do."""
        now = self.now()
        with self.store.write() as connection:
            set_fact(connection, "heartbeat", now.isoformat())
            sweep_expired(connection, now=now)
        with self.store.read() as connection:
            subscriptions = list_subscriptions(connection)
        owed = self._owed(subscriptions, now)
        changed = self.outside.refresh(self._lakes_of(due.subscription for due in owed), now)
        for due in owed:
            self._decide(due)
        counts = self._deliver()
        until = self.monotonic() + REFRESH_S
        lakes = self._lakes_of(subscriptions)
        changed |= self.outside.refresh(lakes, now, go_on=lambda: self.monotonic() < until)
        if self.turns.look(subscriptions, changed):
            counts += self._deliver()
        tidy(self.store, self.settings.config.archive, now)
        self._tell()
        return counts

    def _deliver(self) -> Counts:
        try:
            return deliver_due(self.store, self.channels, epoch=self.epoch, now_fn=self.now)
        except Exception:
            self._take_over()  # the row at hand is given back; the next tick goes on
            raise

    def _lakes_of(self, subscriptions: Iterable[Subscription]) -> list[Lake]:
        return list({lake.id: lake for one in subscriptions for lake in self._lakes(one)}.values())

    def _tell(self) -> None:
        """The log says what happened since it last did, and why mails wait: each once."""
        with self.store.read() as connection:
            waits = why_email_waits(connection, self.channels, epoch=self.epoch)
            by_mail = any(one.channel == Kind.EMAIL for one in list_subscriptions(connection))
            rows = connection.execute(select(event).where(event.c.id > self._told).order_by(event.c.id)).all()
        for row in rows:
            log.log(
                LEVELS.get(row.name, logging.INFO), "%s %s: %s%s", row.name, row.subject, row.reason, _then(row.details)
            )
            self._told = row.id
        if by_mail and waits and waits != self._told_waits:
            log.warning("mails wait until this is mended and the service starts again: %s", waits)
        self._told_waits = waits

    def _owed(self, subscriptions: list[Subscription], now: datetime) -> list[DueBrief]:
        with self.store.read() as connection:
            rows = connection.execute(
                select(decision.c.subscription, decision.c.local_date).where(
                    decision.c.kind == "brief", decision.c.local_date >= now.date() - NO_FARTHER_BACK
                )
            ).all()
        decided: set[tuple[str, date]] = {(row.subscription, row.local_date) for row in rows}
        found = []
        for one in subscriptions:
            lakes = self._lakes(one)
            if not lakes:
                if one.id not in self._without_lakes:
                    self._without_lakes.add(one.id)
                    log.warning("subscription %s: none of its lakes is in the config folder any more", one.id)
                continue
            due = due_brief(one, lakes[0].zone_info, now=now, decided=decided)
            if due is not None and (one.id, due.local_date) not in self._resting:
                found.append(due)
        return found

    def _lakes(self, one: Subscription) -> list[Lake]:
        return [self.settings.lakes[lake] for lake in one.lakes if lake in self.settings.lakes]

    def _decide(self, due: DueBrief) -> Decided | None:
        """Decision, outbox row, event and what was shown, all or nothing; a brief that cannot be made is dead.

        None where nothing is to be told: all lakes lie under ice, and the reader was told so.
        """
        now, one, domain = self.now(), due.subscription, message_domain(self.settings)
        owed = Owed(
            subscription=one.id, local_date=due.local_date, kind="brief", seq=0, endpoint=one.endpoint,
            expires_at=due.expires_at, inputs_ref="",
        )  # fmt: skip
        try:
            lake_days, brief = make_brief(
                self.outside, lakes=self._lakes(one), day=due.day, trip_hours=one.trip_hours, reader=one.id, now=now,
                notices=due.notices(now),
            )  # fmt: skip
            with self.store.read() as connection:
                if all_told_over(connection, one.id, lake_days):
                    self._resting.add((one.id, due.local_date))
                    return None
            message = brief_message(brief)
        except OperationalError:  # the store is busy or full, the brief is not to blame: the next tick tries again
            raise
        except Exception as error:
            if not isinstance(error, BitewatchError):
                log.exception("a bug while making the brief of subscription %s", one.id)
            with self.store.write() as connection:
                return decide_failed(connection, owed, f"{type(error).__name__}: {error}", now=now, domain=domain)
        used = {lake["lake"]: (lake["weather"] or {}).get("payload_sha256") for lake in brief.facts["lakes"]}
        with self.store.write() as connection:
            decided = decide(connection, replace(owed, inputs_ref=json.dumps(used)), message, now=now, domain=domain)
            if decided.is_new:
                keep_shown(connection, one.id, brief, now)
                self.turns.begin(connection, one, lake_days, now)
                for lake_day in lake_days:
                    note_season(connection, lake_day, now)
                record(
                    connection, Event.BRIEF_DECIDED, at=now, subject=decided.key, reason=decided.verdict.value,
                    details={"lakes": list(used), "day": due.day.isoformat(), "subject": brief.subject},
                )  # fmt: skip
        return decided


def _then(details: str) -> str:
    """What becomes of a message that was not sent, in words."""
    told = json.loads(details)
    if "not_before" in told:
        return f"; tried again at {told['not_before']}"
    return f"; {told['state']}" if told.get("state") not in (None, "sent") else ""
