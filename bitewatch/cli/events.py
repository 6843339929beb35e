"""bitewatch events: the story of a day at a lake."""

from datetime import UTC, timedelta

import click

from bitewatch.cli.at_work import at_work, echo_json, parse_day


@click.command()
@click.argument("lake", metavar="LAKE")
@click.option("--day", metavar="D", help="YYYY-MM-DD by the lake's clock; today if left out.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.pass_context
def events(ctx: click.Context, lake: str, day: str | None, as_json: bool) -> None:
    """The story of a day at a lake: forecasts, fronts, warnings, calls and messages, in order of time, with reasons."""
    from bitewatch.brief.words import Words
    from bitewatch.lake.local_time import first_instant
    from bitewatch.service import clock
    from bitewatch.service.lake_cells import lake_cells
    from bitewatch.service.story import story

    with at_work(ctx) as work:
        now, at = clock.now(), work.settings.lake(lake)
        refresher, zone = work.outside().refresher, at.zone_info
        sources = (*refresher.order(at), *refresher.sources.stations)
        on = parse_day(day) or now.astimezone(zone).date()
        with work.store.read() as connection:
            told = story(
                connection, at.id, since=first_instant(on, zone), before=first_instant(on + timedelta(days=1), zone),
                cells=lake_cells(connection, refresher, at, sources, now), sources={one.name for one in sources},
            )  # fmt: skip
    if as_json:
        echo_json(
            [
                {
                    "at": f"{one.at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}", "event": one.name.value,
                    "subject": one.subject, "reason": one.reason, "details": dict(one.details),
                }
                for one in told
            ]
        )  # fmt: skip
        return
    words = Words(work.settings.config.units, zone)
    for one in told:
        click.echo(f"{words.clock(one.at):>8}  {one.name.value:<16}  {one.reason}")
    if not told:
        click.echo(f"Nothing is written down of {at.name} on {on}.")
