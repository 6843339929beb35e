"""bitewatch watch: the service."""

import click

from bitewatch.cli.at_work import at_work, read_settings


@click.command()
@click.option("--once", is_flag=True, help="One tick: what is due now is decided and sent; then end.")
@click.pass_context
def watch(ctx: click.Context, once: bool) -> None:
    """Run the service: keep weather fresh, decide the briefs when they are due, and send them.

    Ends on SIGTERM or Ctrl-C after what is in flight. A second process on the same data folder stands by.
    """
    import logging

    from bitewatch.service import clock
    from bitewatch.service.tick import Service
    from bitewatch.service.watch import owning, run

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    logging.getLogger("alembic").setLevel(logging.WARNING)
    with owning(read_settings(ctx).data), at_work(ctx) as work:  # own first: opening may change the schema
        service = Service(settings=work.settings, store=work.store, outside=work.outside(), now=clock.now)
        if once:
            counts = service.tick()
            click.echo(
                f"sent {counts.sent}, deferred {counts.deferred}, refused {counts.refused}, unknown {counts.unknown}"
            )
        else:
            run(service)
