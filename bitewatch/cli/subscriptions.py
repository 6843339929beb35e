"""bitewatch subscribe, subscriptions, unsubscribe."""

import click

from bitewatch.cli.at_work import at_work, echo_json, find_lakes


@click.command()
@click.argument("lakes", nargs=-1, required=True, metavar="LAKE...")
@click.option("--to", "address", required=True, metavar="ADDRESS", help="mailto:..., https://... or file:DIR")
@click.option("--at", "at", required=True, metavar="HH:MM", help="Wall time of the first lake.")
@click.option("--for", "speaks_of", type=click.Choice(["today", "tomorrow"]), default="today", show_default=True)
@click.option("--hours", metavar="FROM-TO", help="Trip hours such as 05:30-11:00; the config's if left out.")
@click.option("--days", metavar="DAYS", help="Days that you fish, such as sat,sun or mon-fri; all if left out.")
@click.option(
    "--quiet",
    metavar="FROM-TO",
    help='No turn goes out then, but for what is urgent; the config\'s if left out, "" for none.',
)
@click.pass_context
def subscribe(
    ctx: click.Context, lakes: tuple[str, ...], address: str, at: str, speaks_of: str, hours: str | None,
    days: str | None, quiet: str | None,
) -> None:  # fmt: skip
    """Send a brief of these lakes to an address, every day that you fish. One message speaks of all its lakes."""
    from typing import cast

    from bitewatch.delivery.address import Kind, check_address, parse_address
    from bitewatch.delivery.endpoints import add_endpoint, find_endpoint, new_webhook_secret
    from bitewatch.presentation.trip import TripHours, wall_time
    from bitewatch.service import clock
    from bitewatch.service.subscriptions import SpeaksOf, add_subscription, parse_days

    with at_work(ctx) as work:
        config = work.settings.config
        found = find_lakes(work.settings, lakes)
        to = parse_address(address, doors=config.webhook.doors)
        check_address(to, doors=config.webhook.doors)
        wall, trip, on = wall_time(at), TripHours.parse(hours or config.trip_hours), parse_days(days)
        now = clock.now()
        secret = new_webhook_secret() if to.kind is Kind.WEBHOOK else None
        with work.store.write() as connection:
            is_new = find_endpoint(connection, to) is None
            endpoint_id = add_endpoint(connection, to, now=now, secret=secret, by_operator=True)
            new = add_subscription(
                connection, endpoint_id=endpoint_id, lakes=[lake.id for lake in found], at=wall,
                speaks_of=cast(SpeaksOf, speaks_of), trip_hours=trip, days=on, now=now,
                quiet=quiet and str(TripHours.parse(quiet)),
            )  # fmt: skip
    click.echo(f"{new}: {', '.join(lake.name for lake in found)} to {to.value} at {at} for {speaks_of}, trip {trip}")
    if secret is not None and is_new:
        click.echo(f"Signing secret, shown this once; give it to the receiver: {secret}")
    if to.kind is Kind.EMAIL and config.smtp is None:
        click.echo("No [smtp] in bitewatch.toml yet: mails wait until there is one.", err=True)


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a program.")
@click.pass_context
def subscriptions(ctx: click.Context, as_json: bool) -> None:
    """Who is told what and when."""
    from bitewatch.service.subscriptions import DAYS, list_subscriptions

    with at_work(ctx) as work, work.store.read() as connection:
        known = list_subscriptions(connection)
    if as_json:
        echo_json(
            [
                {
                    "id": one.id, "channel": one.channel, "address": one.address, "lakes": list(one.lakes),
                    "at": f"{one.at:%H:%M}", "for": one.speaks_of, "hours": str(one.trip_hours), "days": list(one.days),
                }
                for one in known
            ]
        )  # fmt: skip
        return
    for one in known:
        days = "every day" if one.days == DAYS else ",".join(one.days)
        click.echo(
            f"{one.id}  {one.at:%H:%M} for {one.speaks_of}, {days}, trip {one.trip_hours}: "
            f"{', '.join(one.lakes)} to {one.address}"
        )
    if not known:
        click.echo("No subscriptions yet; bitewatch subscribe makes one.")


@click.command()
@click.argument("subscription", metavar="ID")
@click.pass_context
def unsubscribe(ctx: click.Context, subscription: str) -> None:
    """End a subscription; what of it waits to be sent is cancelled."""
    from bitewatch.delivery.outbox import cancel_messages
    from bitewatch.service import clock
    from bitewatch.service.subscriptions import end_subscription

    with at_work(ctx) as work, work.store.write() as connection:
        now = clock.now()
        ended = end_subscription(connection, subscription, now=now)
        cancel_messages(connection, now=now, reason="unsubscribed", subscription=subscription)
    click.echo(f"{ended.id} ended: {', '.join(ended.lakes)} to {ended.address}")
