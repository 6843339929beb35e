"""bitewatch fronts: the fronts known of a lake and whether they came as foretold, or those in a file of hours."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bitewatch.cli.at_work import Work, at_work, echo_json
from bitewatch.errors import PayloadRefused, Refused

if TYPE_CHECKING:
    from bitewatch.lake.profile import Lake
    from bitewatch.service.verify_fronts import Verified

LISTED_FOR = timedelta(days=30)  #: how far back known fronts are listed


@click.command()
@click.argument("what", metavar="LAKE|FILE.csv")
@click.option("--lat", "latitude", type=click.FloatRange(-90, 90), help="Of a file: its latitude; south is negative.")
@click.option("--verify", is_flag=True, help="Of a lake: did the foretold cold fronts come, and when.")
@click.option("--plot", metavar="FILE.png", help="With --verify: draw the same into a file.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.pass_context
def fronts(
    ctx: click.Context, what: str, latitude: float | None, verify: bool, plot: str | None, as_json: bool
) -> None:  # fmt: skip
    """The fronts known of a lake: those of the last 30 days and those foretold, with the range of their hour.

    With --verify, what was foretold of its cold fronts is compared with what came, by days of lead.

    A name that ends in .csv is a file of hours, read by itself: its fronts are printed as CSV, with the columns
    kind,onset_utc,strength,score. The file has a column time (UTC unless it carries an offset) and any of the hourly
    columns. Strength runs from 0 (barely) to 1 (strong); scores of 1.6, 2.4 and 3.0 begin weak, moderate and strong
    cold fronts; warm fronts begin at 2.0.
    """
    if what.lower().endswith(".csv"):
        if verify or plot is not None:
            raise click.UsageError("--verify and --plot are for a lake; a file of hours holds no forecasts")
        if latitude is None:
            raise click.UsageError("give --lat, the latitude of the hours in a file")
        _of_file(what, latitude, as_json)
        return
    if latitude is not None:
        raise click.UsageError("--lat is for a file; a lake knows its latitude")
    if plot is not None and not verify:
        raise click.UsageError("--plot draws what --verify finds; give both")
    with at_work(ctx) as work:
        lake = work.settings.lake(what)
        if verify:
            _verify(work, lake, plot, as_json)
        else:
            _of_lake(work, lake, as_json)


def _of_file(file: str, latitude: float, as_json: bool) -> None:
    import numpy as np

    from bitewatch.weather.fronts import fronts_of
    from bitewatch.weather.governing import PAST_H, hours_in_sight
    from bitewatch.weather.signs import cold, front_signs, warm
    from bitewatch.weather.sources.hourly_csv import hourly_from_csv

    try:
        hourly, notes = hourly_from_csv(Path(file).read_bytes())
    except OSError as error:
        raise Refused(f"{file}: cannot be read: {error.strerror}") from error
    except PayloadRefused as error:
        raise Refused(f"{file}: {error}") from error
    for note in notes:
        click.echo(f"{file}: {note}", err=True)
    of_cold, of_warm = front_signs(hourly, latitude, cold, warm)
    in_sight = int(np.max(hours_in_sight(of_cold.score)))
    if in_sight < PAST_H:
        click.echo(
            f"{file}: too few hours to say that there was no front: "
            f"{in_sight} in a row can be judged, {PAST_H} are needed",
            err=True,
        )
    found = [
        {
            "kind": front.kind.value, "onset_utc": f"{front.onset:%Y-%m-%dT%H:%M:%SZ}",
            "strength": round(front.strength, 3), "score": round(front.score, 3),
        }
        for front in fronts_of(hourly.time, of_cold, of_warm)
    ]  # fmt: skip
    if as_json:
        echo_json(found)
        return
    click.echo("kind,onset_utc,strength,score")
    for row in found:
        click.echo(f"{row['kind']},{row['onset_utc']},{row['strength']:.3f},{row['score']:.3f}")


def _of_lake(work: Work, lake: "Lake", as_json: bool) -> None:
    from bitewatch.brief.words import Words, strength_words
    from bitewatch.service import clock
    from bitewatch.service.known_fronts import load
    from bitewatch.weather.following import Standing

    now = clock.now()
    with work.store.read() as connection:
        known = load(connection, lake.id, since=now - LISTED_FOR)
    rows: list[dict[str, Any]] = [
        {
            "kind": one.kind.value, "onset": _utc(one.onset), "earliest": _utc(one.earliest),
            "latest": _utc(one.latest), "strength": round(one.strength, 3), "word": strength_words(one.strength),
            "standing": one.standing.value, "source": one.source, "found": _utc(one.found_at),
            "seen": _utc(one.seen_at), "observed": None if one.observed_onset is None else _utc(one.observed_onset),
            "moved_h": round((one.onset - one.sightings[0].onset) / timedelta(hours=1)) if one.sightings else 0,
        }
        for one in known
    ]  # fmt: skip
    if as_json:
        echo_json(rows)
        return
    words = Words(work.settings.config.units, lake.zone_info)
    for one, row in zip(known, rows, strict=True):
        passed = one.standing is Standing.FORETOLD and one.onset <= now
        standing = "passed by its source's account" if passed else row["standing"]
        click.echo(f"{row['word']} {row['kind']} front, {standing}: {words.moment(one.onset)}")
        click.echo(f"  between {words.moment(one.earliest)} and {words.moment(one.latest)}, by {one.source}")
        click.echo(f"  first told {words.moment(one.found_at)}, {_moved(row['moved_h'])}")
        if one.observed_onset is not None:
            click.echo(f"  measured at a station {words.moment(one.observed_onset)}")
    if not rows:
        click.echo(f"No front is known of {lake.name}.")


def _moved(hours: int) -> str:
    return f"now {abs(hours)} h {'later' if hours > 0 else 'earlier'}" if hours else "not moved since"


def _verify(work: Work, lake: "Lake", plot: str | None, as_json: bool) -> None:
    from bitewatch.service import clock
    from bitewatch.service.lake_cells import lake_cells
    from bitewatch.service.verify_fronts import verify_lake

    refresher = work.outside().refresher
    sources = refresher.whole(lake)
    with work.store.read() as connection:
        cells = lake_cells(connection, refresher, lake, sources, clock.now())
        verified = verify_lake(connection, lake.id, cells)
    if plot is not None:
        from bitewatch.brief.pictures.verification_plot import draw_verification

        title = f"{lake.id}: cold fronts foretold, and {len(verified.passages)} that passed"
        try:
            Path(plot).write_bytes(draw_verification(verified.table, title))
        except OSError as error:
            raise Refused(f"{plot}: cannot be written: {error.strerror}") from error
    if as_json:
        echo_json(_verified_json(verified))
    else:
        click.echo("\n".join(_verified_lines(lake, verified)))


def _verified_json(verified: "Verified") -> dict[str, Any]:
    return {
        "passages": {how.value: count for how, count in verified.by.items()},
        "judged_days": round(verified.judged_days, 1),
        "lead_days": [
            {name: _rounded(getattr(row, name)) for name in row.__slots__} for row in verified.table
        ],
    }  # fmt: skip


def _verified_lines(lake: "Lake", verified: "Verified") -> list[str]:
    from bitewatch.weather.verification import ENOUGH_HITS, How

    count, by = len(verified.passages), verified.by
    lines = [
        f"Cold fronts of {lake.name}: {count} passed in {verified.judged_days:.0f} days that can be judged,",
        f"{by[How.STATION]} by a station's hours and {by[How.ARCHIVE]} by later issues of the source itself.",
    ]
    if count < ENOUGH_HITS:
        lines.append(
            f"Not enough yet: {count} passage{'' if count == 1 else 's'}; {ENOUGH_HITS} begin to tell something."
        )
    lines += [
        "",
        "days     came as       not   did not                    hours too late (+)",
        "ahead   foretold  foretold      come   POD   FAR   CSI   median  4 of 5 within",
    ]
    for row in verified.table:
        shares = "".join(f"{'-' if share is None else f'{share:.2f}':>6}" for share in (row.pod, row.far, row.csi))
        if row.error_h is None or row.error_low_h is None or row.error_high_h is None:
            error = f"{'-':>9}{'-':>15}"
        else:
            error = f"{row.error_h:>+9.1f}{f'{row.error_low_h:+.1f} to {row.error_high_h:+.1f}':>15}"
        lines.append(f"{row.lead_days:>5}{row.hits:>11}{row.misses:>10}{row.false_alarms:>10}{shares}{error}")
    return lines


def _rounded(value: float | None) -> float | None:
    return value if value is None or isinstance(value, int) else round(value, 3)


def _utc(instant: datetime) -> str:
    return f"{instant.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
