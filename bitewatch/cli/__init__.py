"""The command line: one thin file a group of commands, each read only when its command is run."""

import importlib
from collections.abc import Mapping
from typing import Any

import click

from bitewatch import __version__
from bitewatch.errors import BitewatchError

#: command -> the file that holds it, and what `--help` says of it without reading that file
COMMANDS: Mapping[str, tuple[str, str]] = {
    "archive": ("archive", "What is kept of what sources said, and how much room it takes."),
    "brief": ("brief", "The brief of one or more lakes, for a day."),
    "events": ("events", "The story of a day at a lake."),
    "fronts": ("fronts", "The fronts known of a lake and whether they came, or those in a CSV file."),
    "reading": ("reading", "What your thermometer showed: told, listed, taken back."),
    "rules": ("rules", "The rule book, or which rules fired on a lake and how much they moved."),
    "subscribe": ("subscriptions", "Send a brief of some lakes to an address, every morning or evening."),
    "subscriptions": ("subscriptions", "Who is told what and when."),
    "unsubscribe": ("subscriptions", "End a subscription."),
    "water": ("water", "The water of a lake through its seasons: surface temperature and layers."),
    "watch": ("watch", "Run the service: weather, briefs, delivery."),
}


class Commands(click.Group):
    """Commands that are read when they are run: `--help` stays fast."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """The names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """One command, read from its file."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"bitewatch.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """The commands with a line each, without reading their files."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, says) for name, (_, says) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; what went wrong is said in one line a fault, with the exit code of its kind."""
        try:
            return super().invoke(ctx)
        except BitewatchError as error:
            click.echo(str(error), err=True)
            ctx.exit(error.exit_code)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--config", metavar="DIR", help="The config folder [BITEWATCH_CONFIG, else the platform's].")
@click.option("--data", metavar="DIR", help="The data folder [BITEWATCH_DATA, else store.folder, else the platform's].")
@click.version_option(__version__, prog_name="bitewatch")
@click.pass_context
def main(ctx: click.Context, config: str | None, data: str | None) -> None:
    """Watch the weather over natural lakes, call where crappie and bluegill sit at the weed edge, and send the brief.

    Exit codes: 0 done, 1 refused input, 2 usage, 3 the outside world failed.
    """
    ctx.obj = {"config": config, "data": data}
