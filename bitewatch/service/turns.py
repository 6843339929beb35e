"""Turns: what a reader was told is watched until the trip is over, and a call that has turned is told once."""

import hashlib
import json
import logging
from collections.abc import Callable, Iterable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Row, delete, func, select
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import OperationalError

from bitewatch.brief.compose import Brief
from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.standing_call import turn_view
from bitewatch.brief.turn_message import compose_turn
from bitewatch.delivery.decide import Decided, Owed, decide, decide_failed
from bitewatch.delivery.tables import decision
from bitewatch.errors import BitewatchError
from bitewatch.position.turn import Judgement, Memory, Told, Verdict, judge, memory_of
from bitewatch.presentation.technique import techniques
from bitewatch.service.due import Held, why_held
from bitewatch.service.make_brief import boat_limits, brief_message, message_domain
from bitewatch.service.outside import Outside
from bitewatch.service.shown import keep_shown
from bitewatch.service.subscriptions import Subscription
from bitewatch.service.tables import watched
from bitewatch.settings import Settings
from bitewatch.store.database import Store
from bitewatch.store.events import Event, record

log = logging.getLogger(__name__)

KIND = "turn"
FORGOTTEN_AFTER = timedelta(days=3)  #: how long what was watched stays after its day


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turned:
    """A call that is to be told."""

    subscription: Subscription
    lake_day: LakeDay
    told: Told
    now: Told
    judgement: Judgement


class Turns:
    """Watches what readers were told."""

    def __init__(self, settings: Settings, store: Store, outside: Outside, *, now: Callable[[], datetime]):
        self._settings = settings
        self._store = store
        self._outside = outside
        self._now = now
        self._held: set[str] = set()  #: lakes with a turn that waits for its time; all are looked at after a start
        self._is_new = True

    def begin(self, connection: Connection, one: Subscription, lake_days: Iterable[LakeDay], now: datetime) -> None:
        """From here on watch what a brief told; to be called in the transaction that decides it."""
        for lake_day in lake_days:
            view = turn_view(lake_day).view
            _write(connection, one, lake_day, view, memory_of(view), now)

    def look(self, subscriptions: Sequence[Subscription], changed: AbstractSet[str]) -> int:
        """Judge what is watched on lakes of which something new is known; hands back how many turns were decided."""
        now = self._now()
        wanted = set(changed) | self._held
        self._held = set()
        with self._store.read() as connection:
            rows = connection.execute(select(watched).where(watched.c.for_day >= now.date() - FORGOTTEN_AFTER)).all()
        by_id = {one.id: one for one in subscriptions}
        turned: dict[str, list[_Turned]] = {}
        for row in rows:
            if row.subscription in by_id and row.lake in self._settings.lakes and (self._is_new or row.lake in wanted):
                try:
                    found = self._look_at(by_id[row.subscription], row, now)
                except OperationalError:  # the store is busy or full: the next tick tries again
                    raise
                except Exception:  # one lake must not stop the others
                    log.exception("a bug while looking for a turn of %s for %s", row.lake, row.subscription)
                    continue
                if found is not None:
                    turned.setdefault(row.subscription, []).append(found)
        self._is_new = False
        self._forget(rows, now)
        return sum(self._tell(group, now) for group in turned.values())

    def _look_at(self, one: Subscription, row: Row[Any], now: datetime) -> _Turned | None:
        lake = self._settings.lakes[row.lake]
        _, end = one.trip_hours.instants(row.for_day, lake.zone_info)
        if now >= end:
            return None
        lake_day = self._outside.lake_day(lake, row.for_day, one.trip_hours, reader=one.id, now=now)
        if _mark(lake_day) == row.mark:
            return None
        present = turn_view(lake_day)
        told, memory = Told.from_json(json.loads(row.told)), Memory.from_json(json.loads(row.memory))
        judgement = judge(told, memory, present, at=now, trip_end=end)
        if judgement.verdict is Verdict.TURNED and _issue_of(_mark(lake_day)) == _issue_of(row.mark):
            judgement = replace(
                judgement, verdict=Verdict.NOT_YET
            )  # a call holds from issue to issue, not from look to look
        if judgement.verdict.is_turn:
            return _Turned(subscription=one, lake_day=lake_day, told=told, now=present.view, judgement=judgement)
        with self._store.write() as connection:
            _write(connection, one, lake_day, told, judgement.memory, now)
        return None

    def _tell(self, group: Sequence[_Turned], now: datetime) -> int:
        """One message for all lakes of a reader that turned; what must wait stays as it was and is judged again."""
        held = [self._why_held(turned, now) for turned in group]
        for turned, why in zip(group, held, strict=True):
            if why is not None:
                log.debug("%s: %s, but %s", turned.lake_day.lake.id, turned.judgement.verdict.value, why.value)
                self._held.add(turned.lake_day.lake.id)
        go = [turned for turned, why in zip(group, held, strict=True) if why is None]
        return int(self._decide(sorted(go, key=_urgency), now).is_new) if go else 0

    def _why_held(self, turned: _Turned, now: datetime) -> Held | None:
        one, zone = turned.subscription, turned.lake_day.lake.zone_info
        with self._store.read() as connection:
            sent = _sent(connection, one.id, now.astimezone(zone).date())
        settings = self._settings.config.turns
        return why_held(
            one, zone, now=now, urgent=turned.judgement.urgent, sent_today=sent, most_a_day=settings.most_a_day,
            quiet_hours=settings.quiet_hours,
        )  # fmt: skip

    def _decide(self, group: Sequence[_Turned], now: datetime) -> Decided:
        """Decision, outbox row, events, what was shown and what is watched from here on: all or nothing."""
        one, main = group[0].subscription, group[0].lake_day
        local_date = now.astimezone(main.lake.zone_info).date()
        domain = message_domain(self._settings)
        with self._store.read() as connection:
            seq = _sent(connection, one.id, local_date)
        owed = Owed(
            subscription=one.id, local_date=local_date, kind=KIND, seq=seq, endpoint=one.endpoint,
            expires_at=max(turned.lake_day.end for turned in group),
            inputs_ref=json.dumps({turned.lake_day.lake.id: _mark(turned.lake_day) for turned in group}),
        )  # fmt: skip
        brief: Brief | None = None
        try:
            brief = self._compose(group, seq)
            message = brief_message(brief)
        except Exception as error:
            if not isinstance(error, BitewatchError):
                log.exception("a bug while making a turn for subscription %s", one.id)
            with self._store.write() as connection:
                decided = decide_failed(connection, owed, f"{type(error).__name__}: {error}", now=now, domain=domain)
                self._begin_anew(connection, group, now)
            return decided
        with self._store.write() as connection:
            decided = decide(connection, owed, message, now=now, domain=domain)
            if decided.is_new:
                keep_shown(connection, one.id, brief, now)
                self._begin_anew(connection, group, now)
                for turned in group:
                    _record(connection, turned, decided.key, brief.subject, now)
        return decided

    def _compose(self, group: Sequence[_Turned], seq: int) -> Brief:
        return compose_turn(
            [(turned.lake_day, turned.judgement, turned.told, turned.now) for turned in group], table=techniques(),
            limits=boat_limits(self._settings), units=self._settings.config.units, seq=seq,
        )  # fmt: skip

    def _begin_anew(self, connection: Connection, group: Sequence[_Turned], now: datetime) -> None:
        for turned in group:
            _write(connection, turned.subscription, turned.lake_day, turned.now, memory_of(turned.now), now)

    def _forget(self, rows: Sequence[Row[Any]], now: datetime) -> None:
        if any(row.for_day < now.date() - FORGOTTEN_AFTER + timedelta(days=1) for row in rows):
            with self._store.write() as connection:
                connection.execute(delete(watched).where(watched.c.for_day <= now.date() - FORGOTTEN_AFTER))


def _write(
    connection: Connection, one: Subscription, lake_day: LakeDay, told: Told, memory: Memory, now: datetime
) -> None:
    identity = {"subscription": one.id, "lake": lake_day.lake.id, "for_day": lake_day.day}
    row = {
        "told": json.dumps(told.to_json()), "memory": json.dumps(memory.to_json()), "mark": _mark(lake_day),
        "updated_at": now,
    }  # fmt: skip
    new = insert(watched).values(**identity, **row)
    connection.execute(new.on_conflict_do_update(index_elements=list(identity), set_=row))


def _record(connection: Connection, turned: _Turned, key: str, subject: str, now: datetime) -> None:
    judgement = turned.judgement
    why = "; ".join([judgement.verdict.value, *judgement.reasons])
    details = {
        "key": key,
        "verdict": judgement.verdict.name,
        "day": turned.lake_day.day.isoformat(),
        "subject": subject,
    }
    record(connection, Event.CALL_TURNED, at=now, subject=turned.lake_day.lake.id, reason=why, details=details)


def _urgency(turned: _Turned) -> int:
    return list(Verdict).index(turned.judgement.verdict)


def _issue_of(mark: str) -> str:
    return mark.partition(":")[0]


def _mark(lake_day: LakeDay) -> str:
    """What an evaluation was made from, issue:fronts and warnings; the same again is not judged twice."""
    fronts = [(str(front.onset), front.standing.value) for front in lake_day.known_fronts]
    warnings = [warning.id for warning in lake_day.official.warnings]
    seen = lake_day.weather.payload_sha256 if lake_day.weather else ""
    return f"{seen[:31]}:{hashlib.sha256(json.dumps([fronts, warnings]).encode()).hexdigest()[:31]}"


def _sent(connection: Connection, subscription: str, local_date: date) -> int:
    """How many turns were decided for a local date: the number of the next."""
    mine = (decision.c.subscription == subscription) & (decision.c.local_date == local_date) & (decision.c.kind == KIND)
    count: int = connection.execute(select(func.count()).select_from(decision).where(mine)).scalar_one()
    return count
