"""A brief for one reader: weather, evaluation, composition, and the message that carries it."""

import hashlib
import json
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path

from bitewatch.brief.cautions import BoatLimits
from bitewatch.brief.compose import Brief, compose
from bitewatch.brief.facts import instant_text
from bitewatch.brief.lake_day import LakeDay
from bitewatch.brief.page import STRIP_CID, render_page
from bitewatch.brief.payload import fitted, render_payload
from bitewatch.brief.pictures.depth_strip import draw_depth_strip
from bitewatch.brief.text import render_text
from bitewatch.delivery.files import write_files
from bitewatch.delivery.frozen import Frozen
from bitewatch.delivery.mail import build_mail
from bitewatch.delivery.message import Message, Picture
from bitewatch.errors import DeliveryDeferred, Refused
from bitewatch.lake.profile import Lake
from bitewatch.presentation.technique import techniques
from bitewatch.presentation.trip import TripHours
from bitewatch.service.evaluate import last_day_served
from bitewatch.service.outside import Outside
from bitewatch.settings import Settings

NO_DOMAIN = "bitewatch.invalid"  #: for Message-IDs where no mail server is set; RFC 2606 keeps it from being anybody's
MOST_BYTES = 19_000  #: Standard Webhooks 1.0.0 advises less than 20 kB, the envelope included


def make_brief(
    outside: Outside, *, lakes: Sequence[Lake], day: date | None, trip_hours: TripHours, reader: str, now: datetime,
    notices: Sequence[str] = (),
) -> tuple[list[LakeDay], Brief]:  # fmt: skip
    """The brief of some lakes, and what it was made from.

    Parameters
    ----------
    day
        The day it speaks of; None: today on the first lake, or where all weather is from files that end earlier, the
        last day that the first lake's file serves.
    reader
        Whose last brief this one is compared with.
    notices
        What the reader must know of this brief itself, in sentences.
    """
    if day is None:
        day, told = _day_of_itself(outside, lakes[0], trip_hours, now)
        notices = [*notices, *told]
    lake_days = [outside.lake_day(lake, day, trip_hours, reader=reader, now=now) for lake in lakes]
    config = outside.settings.config
    brief = compose(
        lake_days, table=techniques(), limits=boat_limits(outside.settings), units=config.units, notices=notices
    )  # fmt: skip
    return lake_days, brief


def message_domain(settings: Settings) -> str:
    """The right side of Message-IDs: the sender's domain."""
    smtp = settings.config.smtp
    return smtp.sender.rpartition("@")[2] if smtp else NO_DOMAIN


def boat_limits(settings: Settings) -> BoatLimits:
    """What the reader's boat can take."""
    boat = settings.config.boat
    return BoatLimits(
        max_wave_m=boat.max_wave_m, max_wind_ms=boat.max_wind_ms,
        wave_is_preset="max_wave_m" not in boat.model_fields_set,
        wind_is_preset="max_wind_ms" not in boat.model_fields_set,
    )  # fmt: skip


def brief_message(brief: Brief) -> Message:
    """The message that carries a brief on any channel."""
    pictures: tuple[Picture, ...] = ()
    if brief.strip is not None:
        png = draw_depth_strip(brief.strip)
        pictures = (Picture(cid=STRIP_CID, file_name="depth-strip.png", alt=brief.strip.alt, png=png),)
    return Message(
        type=brief.form.partition("/")[0], subject=brief.subject, text=render_text(brief),
        html=render_page(brief), pictures=pictures, data=fitted(render_payload(brief), MOST_BYTES),
        list_name=f"{brief.facts['lakes'][0]['lake']} brief",
    )  # fmt: skip


def copy_to_folder(message: Message, day: date, folder: Path, now: datetime) -> None:
    """Write a message into a folder as the file channel does, without owing it to anybody.

    Raises
    ------
    Refused
        If the folder cannot be written to.
    """
    stem = hashlib.sha256(f"copy:{message.list_name}:{day}".encode()).hexdigest()[:32]
    body = json.dumps({"type": message.type, "timestamp": instant_text(now), "data": message.data}, ensure_ascii=False)
    frozen = Frozen(
        key=f"copy:{day}:brief:0", stem=stem, message_id=f"<{stem}.v1@{NO_DOMAIN}>", local_date=day, kind="brief",
        decided_at=now, message=message, webhook_body=body.encode(),
    )  # fmt: skip
    mail = build_mail(frozen, sender=f"bitewatch@{NO_DOMAIN}", sender_name="bitewatch", to=None)
    try:
        write_files(frozen, mail, folder=folder, gate=lambda: None)
    except DeliveryDeferred as error:
        raise Refused(f"{folder}: {error}") from error


def _day_of_itself(outside: Outside, lake: Lake, trip_hours: TripHours, now: datetime) -> tuple[date, list[str]]:
    """The day of a brief for which none was asked, and what to say of it."""
    today = now.astimezone(lake.zone_info).date()
    if not outside.refresher.only_files(lake):
        return today, []
    hourly = outside.weather_now.weather(lake, now).hourly
    last = last_day_served(hourly, trip_hours, lake) if hourly is not None else None
    if last is None or last >= today:
        return today, []
    return last, [f"This is for {last}, the last day that the file of hours serves; no other day was asked for."]
