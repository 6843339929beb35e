"""bitewatch rules: the rule book, or what it said of a lake at one hour."""

from datetime import datetime
from math import isfinite
from typing import Any

import click

from bitewatch.cli.at_work import Work, at_work, echo_json, read_settings
from bitewatch.errors import OutsideFailed, Refused
from bitewatch.lake.profile import Lake
from bitewatch.position.rulebook import Rule


@click.command()
@click.argument("lake", required=False, metavar="[LAKE]")
@click.option("--at", "at", metavar="TIME", help="With a lake: YYYY-MM-DDTHH:MM by its clock, or with an offset.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.pass_context
def rules(ctx: click.Context, lake: str | None, at: str | None, as_json: bool) -> None:
    """The rule book; with a lake, which rules fired there and how much they moved each position (log-odds)."""
    if (lake is None) != (at is None):
        raise click.UsageError("give a lake and --at together, or neither")
    if lake is None or at is None:
        _list(ctx, as_json)
        return
    with at_work(ctx) as work:
        told = _told(work, work.settings.lake(lake), at)
    if as_json:
        echo_json(told)
    else:
        _print(told)


def _list(ctx: click.Context, as_json: bool) -> None:
    book = read_settings(ctx).book
    if as_json:
        echo_json({"hash": book.hash, "rules": [_as_json(rule) for rule in book.rule]})
        return
    click.echo(f"{len(book.rule)} rules, book {book.hash[:12]}; pushes toward high/edge/tight at full strength\n")
    for rule in book.rule:
        click.echo(f"{rule.id}  ({rule.group.value}; evidence: {rule.evidence})")
        for variable, limits in rule.when.items():
            click.echo(f"    {variable}: {', '.join(f'{limit:g}' for limit in limits)}")
        for species in ("crappie", "bluegill"):
            pushes = getattr(rule, species)
            click.echo(f"    {species:<9}{pushes.high:+.2f} / {pushes.edge:+.2f} / {pushes.tight:+.2f}")
        click.echo(f"    {rule.reason}")
        click.echo(f"    source: {', '.join(rule.source)}{'; ' + rule.source_note if rule.source_note else ''}\n")


def _as_json(rule: Rule) -> dict[str, Any]:
    """A rule for a program; JSON knows no infinity, so a limit that is open is null."""
    told = rule.model_dump(mode="json")
    when = {name: [limit if isfinite(limit) else None for limit in limits] for name, limits in rule.when.items()}
    return {**told, "when": when}


def _told(work: Work, lake: Lake, at: str) -> dict[str, Any]:
    import numpy as np

    from bitewatch.lake.local_time import datetime_to_np
    from bitewatch.position.engine import Position, contributions
    from bitewatch.position.variables import VARIABLES
    from bitewatch.presentation.trip import TripHours
    from bitewatch.service import clock
    from bitewatch.service.shown import TERMINAL

    instant = _instant(at, lake)
    local = instant.astimezone(lake.zone_info)
    now = clock.now()
    outside = work.outside()
    outside.refresh([lake], now)
    hour = TripHours(local.time(), local.replace(hour=(local.hour + 1) % 24).time())
    day = outside.lake_day(lake, local.date(), hour, reader=TERMINAL, now=now)
    if day.outlook is None:
        raise OutsideFailed(f"{lake.id} at {at}: {day.no_call}")
    place = int(np.abs(day.outlook.hourly.time - datetime_to_np(instant)).argmin())
    values = {name: day.outlook.conditions[name][0, place] for name in VARIABLES}
    calls = {}
    for species, said in day.outlook.calls.items():
        lane = said.lane(0)
        moved = contributions(said.book, lane.activation, species)[..., place]
        calls[species.value] = {
            "probability": {p.value: round(float(lane.probability[i, place]), 4) for i, p in enumerate(Position)},
            "fired": [
                {
                    "rule": rule.id, "activation": round(float(lane.activation[i, place]), 3),
                    "moved": {p.value: round(float(moved[i, k]), 3) for k, p in enumerate(Position)},
                }
                for i, rule in enumerate(said.book.rule)
                if lane.activation[i, place] > 0
            ],
            "silent": [rule.id for i, rule in enumerate(said.book.rule) if lane.silent[i, place]],
        }  # fmt: skip
    return {
        "lake": lake.id,
        "spot": lake.spot[0].name if lake.spot else None,
        "at": f"{datetime.fromisoformat(str(day.outlook.hourly.time[place])):%Y-%m-%dT%H:%M:%SZ}",
        "conditions": {name: None if np.isnan(value) else round(float(value), 3) for name, value in values.items()},
        "calls": calls,
    }


def _instant(text: str, lake: Lake) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise Refused(f'"{text}" is not a time; write YYYY-MM-DDTHH:MM, such as 2026-07-21T07:00') from None
    return at if at.tzinfo else at.replace(tzinfo=lake.zone_info)


def _print(told: dict[str, Any]) -> None:
    where = f", {told['spot']}" if told["spot"] else ""
    click.echo(f"{told['lake']}{where}, hour {told['at']}\n")
    known = [f"{name} {value:g}" for name, value in told["conditions"].items() if value is not None]
    missing = [name for name, value in told["conditions"].items() if value is None]
    for start in range(0, len(known), 2):
        click.echo("  " + "".join(f"{item:<38}" for item in known[start : start + 2]).rstrip())
    if missing:
        click.echo(f"  missing: {', '.join(missing)}")
    for species, call in told["calls"].items():
        chances = " / ".join(f"{value:.2f}" for value in call["probability"].values())
        click.echo(f"\n{species}: high / edge / tight  {chances}")
        fired = sorted(call["fired"], key=lambda row: -max(map(abs, row["moved"].values())))
        for row in fired:
            moved = " / ".join(f"{value:+.2f}" for value in row["moved"].values())
            click.echo(f"  {row['rule']:<24} on {row['activation']:.2f}   moved {moved}")
        if call["silent"]:
            click.echo(f"  silent for want of a variable: {', '.join(call['silent'])}")
