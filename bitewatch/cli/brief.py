"""bitewatch brief: what a reader would get, now, on the terminal."""

from pathlib import Path

import click

from bitewatch.cli.at_work import at_work, echo_json, find_lakes, parse_day
from bitewatch.errors import OutsideFailed, Refused


@click.command()
@click.argument("lakes", nargs=-1, metavar="LAKE...")
@click.option("--day", metavar="D", help="YYYY-MM-DD; today if left out, or the last day that a file of hours serves.")
@click.option("--hours", metavar="FROM-TO", help="Trip hours such as 05:30-11:00, in place of the config's.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.option("--html", metavar="FILE", help="Write the page to a file, its picture inside.")
@click.option("--files", metavar="DIR", help="Write mail, page and JSON into a folder, as a file: subscription would.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of --json and end.")
@click.pass_context
def brief(
    ctx: click.Context, lakes: tuple[str, ...], day: str | None, hours: str | None, as_json: bool, html: str | None,
    files: str | None, schema: bool,
) -> None:  # fmt: skip
    """The brief of one or more lakes: position, depth, place, start and danger first, then why, where and how.

    Where no lake has any weather the brief says so, and the exit code is 3.
    """
    from bitewatch.brief.payload import payload_schema, render_payload
    from bitewatch.brief.text import render_text
    from bitewatch.delivery.message import standalone_page
    from bitewatch.presentation.trip import TripHours
    from bitewatch.service import clock
    from bitewatch.service.make_brief import brief_message, copy_to_folder, make_brief
    from bitewatch.service.shown import TERMINAL, keep_shown

    if schema:
        echo_json(payload_schema())
        return
    if not lakes:
        raise click.UsageError("name one lake or more, as in: bitewatch brief LAKE")
    with at_work(ctx) as work:
        now = clock.now()
        found, on, outside = find_lakes(work.settings, lakes), parse_day(day), work.outside()
        trip_hours = TripHours.parse(hours or work.settings.config.trip_hours)
        outside.refresh(found, now)
        _, made = make_brief(outside, lakes=found, day=on, trip_hours=trip_hours, reader=TERMINAL, now=now)
        if html is not None:
            _write(Path(html), standalone_page(brief_message(made)))
        if files is not None:
            copy_to_folder(brief_message(made), made.day, Path(files), now)
        if as_json:
            echo_json(render_payload(made))
        else:
            click.echo(render_text(made), nl=False)
        with work.store.write() as connection:
            keep_shown(connection, TERMINAL, made, now)
    if all(lake["weather"] is None for lake in made.facts["lakes"]):
        ctx.exit(OutsideFailed.exit_code)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        raise Refused(f"{path}: cannot be written: {error.strerror}") from error
