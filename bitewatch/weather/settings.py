"""What the settings say of the archive and of official warnings: the tables ``[archive]`` and ``[warnings]``."""

from urllib.parse import urlsplit

from pydantic import Field, field_validator

from bitewatch.declared import Declared, Number, Whole


class ArchiveSettings(Declared):
    """How much of what was received is kept: ``[archive]``."""

    whole_days: Whole = Field(
        default=60, ge=8, le=36500, description="days for which every issue is kept; the rules look back eight"
    )
    daily_days: Whole = Field(
        default=1100, ge=8, le=36500,
        description="days for which one issue a day of each cell is kept, for back-tests",
    )  # fmt: skip
    most_gb: Number = Field(default=20.0, gt=0, le=100_000, description="the largest size of the archive, in GB")


class WarningsSettings(Declared):
    """Where official warnings are read: ``[warnings]``."""

    feeds: tuple[str, ...] = Field(
        default=(), description='"nws" for the United States, or http or https addresses of CAP feeds'
    )

    @field_validator("feeds")
    @classmethod
    def _are_feeds(cls, feeds: tuple[str, ...]) -> tuple[str, ...]:
        for feed in feeds:
            parts = urlsplit(feed)
            if feed != "nws" and not (parts.scheme in ("http", "https") and parts.hostname and not parts.username):
                raise ValueError('must be "nws", or an http or https address without a password')
        if len(set(feeds)) != len(feeds):
            raise ValueError("names a feed twice")
        return feeds
