"""The one polite way to ask: not before the last answer has expired, not past a quota, not a host that rests.

No transaction is open while the network is waited for.
"""

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from bitewatch.errors import (
    OutsideFailed,
    PayloadRefused,
    SourceRefused,
    SourceUnavailable,
    SourceWaits,
    StoreRefused,
)
from bitewatch.store.database import Store
from bitewatch.weather.archive import (
    StoredPayload,
    confirm,
    keep,
    latest,
    newest_references,
    received_from,
    set_aside,
    set_aside_until,
)
from bitewatch.weather.sources.acceptance import check_not_older, check_reference
from bitewatch.weather.sources.base import Issue, Question, Received
from bitewatch.weather.sources.breaker import HostStanding
from bitewatch.weather.sources.http import UNCHANGED, Answer, PoliteClient
from bitewatch.weather.sources.quota import CAREFUL, Limits, Spent, spend, wait_until
from bitewatch.weather.tables import host as hosts
from bitewatch.weather.tables import spent as spents

log = logging.getLogger(__name__)

MEASURED = frozenset({"nws-stations"})  #: sources whose issues are hours that were measured, no forecasts
SHOWN_THE_DOOR = 403  #: every provider means "say who you are", or a ban, by it
DEPRECATED = 203


class Asker:
    """Asks over one client for one thread, and keeps in the store whom not to ask, and how much was asked."""

    def __init__(
        self,
        store: Store,
        client: PoliteClient,
        *,
        limits: Mapping[str, Limits],
        sleep: Callable[[float], None] = time.sleep,
        monotonic: Callable[[], float] = time.monotonic,
    ):
        self._store = store
        self._client = client
        self._limits = limits
        self._sleep = sleep
        self._monotonic = monotonic
        self._last_asked: dict[str, float] = {}  #: host -> reading of the monotonic clock
        self._deprecated: set[str] = set()

    def issues(
        self, source: str, question: Question, read: Callable[[Received], tuple[Issue, ...]], *, now: datetime,
        reference_time: Callable[[], datetime | None] = lambda: None,
    ) -> tuple[Issue, ...]:  # fmt: skip
        """The issues in the answer to a question, archived.

        An answer that has not expired is read again without asking. ``reference_time`` is called once a new answer
        has come, and tells when the model ran where the answer does not.

        Raises
        ------
        SourceWaits
            Nothing was asked: a quota, a Retry-After, a rest, or the expiry of an answer that was set aside.
        SourceUnavailable
            Nothing usable came; try again later.
        SourceRefused
            The request is wrong, or the host has shown us the door.
        PayloadRefused
            What came must not be used; it was set aside.
        """
        issues: tuple[Issue, ...] = self._answer(source, question, read, now, reference_time, are_issues=True)
        return issues

    def facts(self, source: str, question: Question, read: Callable[[Received], Any], *, now: datetime) -> Any:
        """The same for what is not an issue."""
        return self._answer(source, question, read, now, lambda: None, are_issues=False)

    def from_file(self, received: Received, read: Callable[[Received], tuple[Issue, ...]]) -> tuple[Issue, ...]:
        """The issues in what was not asked for over a network, archived.

        Raises
        ------
        PayloadRefused
            It must not be used; it was set aside.
        """
        issues: tuple[Issue, ...] = self._accept(received, read, received.expires_at, are_issues=True)
        return issues

    def _answer(
        self, source: str, question: Question, read: Callable[[Received], Any], now: datetime,
        reference_time: Callable[[], datetime | None], *, are_issues: bool,
    ) -> Any:  # fmt: skip
        stored, useless = self._at_hand(question.key, now)
        if stored is not None and stored.expires_at and stored.confirmed_at <= now < stored.expires_at:
            try:
                return read(received_from(stored))
            except PayloadRefused as error:  # accepted once, by rules that have grown stricter since
                log.warning("%s: what is stored is no longer used: %s", question.key, error)
                stored = None
        if useless is not None:
            told = f"{source}: its answer was set aside ({useless[0]}), and stands for now"
            raise SourceWaits(told, useless[1], only_this=True)
        answer = self._ask(source, question, stored, now, may_stop=are_issues)
        good_until = answer.expires_at
        if good_until is None and question.good_for > timedelta(0):
            good_until = now + question.good_for
        if answer.status == UNCHANGED and stored is not None:
            again = replace(
                received_from(stored), fetched_at=now, expires_at=_whole_second(good_until),
                etag=answer.etag or stored.etag, last_modified=answer.last_modified or stored.last_modified,
            )  # fmt: skip
            with self._store.write() as connection:
                confirm(connection, stored.payload_id, again)
            return read(again)
        received = Received(
            source=source, url_key=question.key, fetched_at=now, body=answer.body, content_type=answer.content_type,
            expires_at=_whole_second(answer.expires_at), etag=answer.etag, last_modified=answer.last_modified,
            reference_time=_known(reference_time),
        )  # fmt: skip
        return self._accept(received, read, _whole_second(good_until), are_issues=are_issues)

    def _accept(
        self, received: Received, read: Callable[[Received], Any], good_until: datetime | None, *, are_issues: bool
    ) -> Any:
        """Read what came and archive it; of what is set aside only the provider's own expiry stands."""
        try:
            found = read(received)
            issues: Sequence[Issue] = found if are_issues else ()
            with self._store.write() as connection:
                for one in issues:
                    if one.reference_time is not None:
                        check_reference(one.reference_time, received.fetched_at)
                cells = [one.cell for one in issues]
                check_not_older(issues, newest_references(connection, received.source, cells))
                told = are_issues and received.source not in MEASURED
                keep(connection, replace(received, expires_at=good_until), issues, told=told)
        except PayloadRefused as error:
            with self._store.write() as connection:
                set_aside(connection, received, error)
            raise
        return found

    def _at_hand(self, key: str, now: datetime) -> tuple[StoredPayload | None, tuple[str, datetime] | None]:
        """The newest usable payload of a question, and why the newest one is useless until when."""
        with self._store.read() as connection:
            useless = set_aside_until(connection, key, now)
            try:
                return latest(connection, key), useless
            except StoreRefused as error:  # damaged on the disk: as good as not there, and kept again when it comes
                log.error("%s", error)
                return None, useless

    def _ask(
        self, source: str, question: Question, stored: StoredPayload | None, now: datetime, *, may_stop: bool
    ) -> Answer:
        name, who = urlsplit(question.url).netloc, self._client.user_agent
        limits = self._limits.get(source, CAREFUL)
        with self._store.write() as connection:
            standing = _standing(connection, name)
            _refuse_if_not_wanted(standing, name, who, now)
            _charge(connection, source, limits, question.weight, now)
        self._space(name, limits.spacing_s)
        try:
            answer = self._client.ask(
                question, now=now,
                etag=stored.etag if stored else None, last_modified=stored.last_modified if stored else None,
            )  # fmt: skip
        except SourceUnavailable as error:
            self._note(name, standing.after_failure(now, error.wait_s), now)
            raise
        except SourceRefused as error:
            if error.status == SHOWN_THE_DOOR:
                # a fact may be forbidden alone: stores of plain files answer so for what they do not have
                closed = standing.stop(who, str(error)) if may_stop else standing.after_failure(now)
                self._note(name, closed, now)
            raise
        if standing != HostStanding():
            self._note(name, standing.after_success(), now)
        if answer.status == DEPRECATED and source not in self._deprecated:
            self._deprecated.add(source)
            log.warning("%s: answered 203: what we ask is deprecated or under test; a newer bitewatch may help", source)
        return answer

    def _space(self, name: str, spacing_s: float) -> None:
        last = self._last_asked.get(name)
        wait_s = 0.0 if last is None else last + spacing_s - self._monotonic()
        if wait_s > 0.0:
            self._sleep(wait_s)
        self._last_asked[name] = self._monotonic()

    def _note(self, name: str, standing: HostStanding, now: datetime) -> None:
        row = {
            "name": name, "failures": standing.failures, "rests": standing.rests,
            "open_until": _whole_second(standing.open_until), "stopped": standing.stopped, "changed_at": now,
        }  # fmt: skip
        with self._store.write() as connection:
            connection.execute(insert(hosts).values(row).on_conflict_do_update(index_elements=["name"], set_=row))


def _standing(connection: Connection, name: str) -> HostStanding:
    row = connection.execute(select(hosts).where(hosts.c.name == name)).first()
    if row is None:
        return HostStanding()
    return HostStanding(failures=row.failures, rests=row.rests, open_until=row.open_until, stopped=row.stopped)


def _refuse_if_not_wanted(standing: HostStanding, name: str, who: str, now: datetime) -> None:
    stopped = standing.why_stopped(who)
    if stopped is not None:
        raise SourceRefused(
            f"{stopped}; {name} is not asked again before the contact in the settings is mended, or bitewatch is newer",
            status=SHOWN_THE_DOOR,
        )
    until = standing.rests_until(now)
    if until is not None:
        failed = "a failure" if standing.failures == 1 else f"{standing.failures} failures in a row"
        raise SourceWaits(f"{name} is left alone until {until:%Y-%m-%d %H:%M:%S} UTC after {failed}", until)


def _charge(connection: Connection, source: str, limits: Limits, weight: float, now: datetime) -> None:
    """Write a question into the ledger of its source, or refuse it."""
    if not limits.windows:
        return
    rows = connection.execute(select(spents).where(spents.c.source == source))
    ledger = {row.window: Spent(began_at=row.began_at, weight=row.weight) for row in rows}
    until = wait_until(ledger, limits, weight, now)
    if until is not None:
        raise SourceWaits(f"{source}: its quota is used up until {until:%Y-%m-%d %H:%M} UTC", until)
    rows_now = [
        {"source": source, "window": window, "began_at": one.began_at, "weight": one.weight}
        for window, one in spend(ledger, weight, now).items()
    ]
    row = insert(spents)
    changed = {"began_at": row.excluded.began_at, "weight": row.excluded.weight}
    connection.execute(row.on_conflict_do_update(index_elements=["source", "window"], set_=changed), rows_now)


def _known(reference_time: Callable[[], datetime | None]) -> datetime | None:
    """When the model ran; an answer that has come is not given up because that cannot be asked."""
    try:
        return reference_time()
    except OutsideFailed as error:
        log.info("the reference time is not known: %s", error)
        return None


def _whole_second(moment: datetime | None) -> datetime | None:
    """The next whole second, in which the store counts: what is cut off would be asked too early."""
    if moment is None or moment.microsecond == 0:
        return moment
    return moment.replace(microsecond=0) + timedelta(seconds=1)
