"""Where past weather and thermometer readings lie, and how far back: the table ``[water]``."""

from pydantic import Field

from bitewatch.declared import Declared, Whole

FILE = "the path of a CSV file, seen from the config folder; {lake} stands for the id of a lake"


class WaterSettings(Declared):
    """What the water is worked out from beside the forecast: ``[water]``."""

    history: str | None = Field(
        default=None, min_length=1, max_length=100,
        description=f"hours or days of past weather, of this season and of seasons before: {FILE}",
    )  # fmt: skip
    readings: str | None = Field(
        default=None, min_length=1, max_length=100, description=f"readings of thermometers: {FILE}"
    )
    normal_years: Whole = Field(
        default=10, ge=0, le=30,
        description="seasons of past weather that open-meteo is asked for, for what is normal; 0 for none",
    )  # fmt: skip
