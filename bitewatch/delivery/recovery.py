"""Starting again: a new epoch, and what an older one left in the middle. No clock takes part in who owns a row."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select

from bitewatch.delivery.outbox import (
    Phase,
    State,
    claimed_row,
    count_phase,
    mark_deferred,
    mark_failed,
    mark_unknown,
)
from bitewatch.delivery.tables import outbox
from bitewatch.store.facts import read_fact, set_fact

MOST_CRASHES = 5  #: a row that is found half sent at this many starts is taken to crash the process
STOPPED = "the process stopped in the middle of sending"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovered:
    """What an older epoch left behind."""

    not_sent: int  #: known not handed over; tried again
    unknown: int  #: perhaps handed over


def next_epoch(connection: Connection) -> int:
    """A new epoch for the process that holds the data folder; every older owner is fenced off by it."""
    epoch = int(read_fact(connection, "epoch") or 0) + 1
    set_fact(connection, "epoch", str(epoch))
    return epoch


def recover(connection: Connection, *, epoch: int, now: datetime) -> Recovered:
    """Give back what older epochs were sending, and settle what they may have sent.

    Also to be called, with a new epoch, after `deliver_due` raised: the store failed it in the middle of a row.
    """
    not_sent = unknown = 0
    left = (State.SENDING, State.COMMITTING)
    rows = connection.execute(select(outbox).where(outbox.c.state.in_(left), outbox.c.epoch < epoch)).all()
    for row in rows:
        claimed = claimed_row(row)
        if row.state == State.COMMITTING:
            unknown += 1
            mark_unknown(connection, claimed, now=now, reason=STOPPED, not_before=now)
            continue
        not_sent += 1
        if count_phase(connection, row.key, Phase.CRASHED) + 1 >= MOST_CRASHES:
            reason = "crashes the process"
            mark_failed(connection, claimed, now=now, reason=reason, phase=Phase.CRASHED)
        else:
            mark_deferred(connection, claimed, now=now, reason=STOPPED, not_before=now, phase=Phase.CRASHED)
    return Recovered(not_sent=not_sent, unknown=unknown)
