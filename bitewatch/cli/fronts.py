"""bitewatch fronts: cold fronts in a file of hours. It reads only that file."""

from pathlib import Path

import click

from bitewatch.cli.at_work import echo_json
from bitewatch.errors import PayloadRefused, Refused


@click.command()
@click.argument("file", metavar="FILE.csv")
@click.option("--lat", "latitude", type=click.FloatRange(-90, 90), required=True, help="Latitude; south is negative.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
def fronts(file: str, latitude: float, as_json: bool) -> None:
    """Cold fronts in a CSV file of hours, as CSV: kind,onset_utc,strength,score.

    The file has a column time (UTC unless it carries an offset) and any of the hourly columns. Strength runs from 0
    (barely) to 1 (strong); scores of 1.6, 2.4 and 3.0 begin weak, moderate and strong fronts.
    """
    from bitewatch.weather.fronts import find_fronts
    from bitewatch.weather.sources.hourly_csv import hourly_from_csv

    try:
        hourly, notes = hourly_from_csv(Path(file).read_bytes())
    except OSError as error:
        raise Refused(f"{file}: cannot be read: {error.strerror}") from error
    except PayloadRefused as error:
        raise Refused(f"{file}: {error}") from error
    for note in notes:
        click.echo(f"{file}: {note}", err=True)
    found = [
        {
            "kind": front.kind.value, "onset_utc": f"{front.onset:%Y-%m-%dT%H:%M:%SZ}",
            "strength": round(front.strength, 3), "score": round(front.score, 3),
        }
        for front in find_fronts(hourly, latitude)
    ]  # fmt: skip
    if as_json:
        echo_json(found)
        return
    click.echo("kind,onset_utc,strength,score")
    for row in found:
        click.echo(f"{row['kind']},{row['onset_utc']},{row['strength']:.3f},{row['score']:.3f}")
