"""bitewatch archive: what is kept of what sources said, and how much room it takes."""

from datetime import datetime
from math import log10
from typing import TYPE_CHECKING, Any

import click

from bitewatch.cli.at_work import at_work, echo_json

if TYPE_CHECKING:
    from bitewatch.weather.archive_room import Room, SourceRoom
    from bitewatch.weather.settings import ArchiveSettings


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.option("--compact", is_flag=True, help="First give free room in the store's file back to the disk.")
@click.pass_context
def archive(ctx: click.Context, as_json: bool, compact: bool) -> None:
    """What is kept of what sources said, source by source, and how much room it takes.

    Freed room inside the store is used again before its file grows; the file shrinks only with --compact, which needs
    as much free disk as the store is large.
    """
    from bitewatch.service import clock
    from bitewatch.weather.archive_room import compact as compact_store
    from bitewatch.weather.archive_room import measure

    with at_work(ctx) as work:
        settings = work.settings.config.archive
        if compact:
            compact_store(work.store)
        with work.store.read() as connection:
            room = measure(connection, settings, clock.now())
    if as_json:
        echo_json(_as_json(room, settings))
    else:
        click.echo("\n".join(_lines(room, settings)))


def _as_json(room: "Room", settings: "ArchiveSettings") -> dict[str, Any]:
    return {
        "sources": [
            {
                "source": one.source, "issues": one.issues, "payloads": one.payloads, "facts": one.facts,
                "set_aside": dict(one.set_aside), "first": _utc(one.first), "last": _utc(one.last), "bytes": one.bytes,
                "bytes_per_issue": _whole(one.bytes_per_issue), "bytes_a_year": _whole(one.bytes_a_year),
            }
            for one in room.sources
        ],
        "bytes": room.bytes, "most_bytes": room.most_bytes, "whole_days": settings.whole_days,
        "daily_days": settings.daily_days, "oldest_whole": _utc(room.oldest_whole), "file_bytes": room.file_bytes,
        "free_bytes": room.free_bytes,
    }  # fmt: skip


def _lines(room: "Room", settings: "ArchiveSettings") -> list[str]:
    lines = [line for one in room.sources for line in _of_source(one)] or ["Nothing is kept yet."]
    oldest = f"; the oldest of them is of {room.oldest_whole:%Y-%m-%d}" if room.oldest_whole else ""
    return [
        *lines,
        f"Together {_size(room.bytes)}, of at most {_size(room.most_bytes)}.",
        f"Every issue is kept for {settings.whole_days} days{oldest}.",
        f"Then the first of each day and cell is kept, for up to {settings.daily_days} days.",
        f"The store's file takes {_size(room.file_bytes)}, {_size(room.free_bytes)} of it free.",
    ]


def _of_source(one: "SourceRoom") -> list[str]:
    lines = [one.source, f"  kept       {_count(one.issues, 'issue')} in {_count(one.payloads, 'payload')}"]
    if one.facts:
        lines.append(f"  beside     {_count(one.facts, 'answer')} about places, runs or warnings")
    lines += [f"  set aside  {count}: {reason}" for reason, count in one.set_aside.items()]
    lines.append(f"  came       {one.first:%Y-%m-%d %H:%M} to {one.last:%Y-%m-%d %H:%M} UTC")
    each = f", {_size(one.bytes_per_issue)} an issue" if one.bytes_per_issue is not None else ""
    rate = f", {_size(one.bytes_a_year)} a year at the present rate" if one.bytes_a_year is not None else ""
    lines.append(f"  size       {_size(one.bytes)}{each}{rate}")
    return lines


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _size(size: float) -> str:
    if size < 1000:
        return f"{size:.0f} bytes"
    power = min(3, int(log10(size * 1.0005)) // 3)  # 999.9 kB reads as 1.00 MB
    scaled = size / 1000**power
    return f"{scaled:.{0 if scaled >= 99.95 else 1 if scaled >= 9.995 else 2}f} {('kB', 'MB', 'GB')[power - 1]}"


def _whole(number: float | None) -> int | None:
    return None if number is None else round(number)


def _utc(instant: datetime | None) -> str | None:
    return None if instant is None else f"{instant:%Y-%m-%dT%H:%M:%SZ}"
