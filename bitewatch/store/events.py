"""What happened, in the past tense; written in the same transaction as the change it tells of."""

import json
from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, insert

from bitewatch.store.metadata import event


class Event(StrEnum):
    """Every kind of event that is written."""

    FORECAST_ARRIVED = "ForecastArrived"
    FORECAST_SET_ASIDE = "ForecastSetAside"
    FRONT_FOUND = "FrontFound"
    FRONT_MOVED = "FrontMoved"
    FRONT_GONE = "FrontGone"
    FRONT_CONFIRMED = "FrontConfirmed"
    WARNING_ISSUED = "WarningIssued"
    WARNING_ENDED = "WarningEnded"
    SOURCE_SWITCHED = "SourceSwitched"
    READING_ADDED = "ReadingAdded"
    READING_UNDONE = "ReadingUndone"
    SEASON_OVER = "SeasonOver"
    SEASON_BEGAN = "SeasonBegan"
    CALL_TURNED = "CallTurned"
    BRIEF_DECIDED = "BriefDecided"
    MESSAGE_SENT = "MessageSent"
    MESSAGE_FAILED = "MessageFailed"
    SOURCE_DOWN = "SourceDown"
    SOURCE_BACK = "SourceBack"


def record(
    connection: Connection,
    name: Event,
    *,
    at: datetime,
    subject: str,
    reason: str,
    details: Mapping[str, Any] | None = None,
) -> None:
    """Write that something happened to ``subject`` (a lake, a cell, a message key), and why, in words."""
    row = {"at": at, "name": name.value, "subject": subject, "reason": reason}
    connection.execute(insert(event).values(**row, details=json.dumps(details or {}, sort_keys=True)))
