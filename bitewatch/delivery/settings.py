"""What the operator declares about sending: the mail server, and the networks of their own that webhooks may reach."""

from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from bitewatch.declared import Declared, Number, Whole
from bitewatch.delivery.address import check_mail_address
from bitewatch.delivery.guard import Door, parse_door
from bitewatch.delivery.message import clean_line


def _one_line(text: str) -> str:
    if text != clean_line(text):
        raise ValueError("must be one line without control characters or double spaces")
    return text


def _door_text(text: str) -> str:
    parse_door(text)
    return text


class SmtpSettings(Declared):
    """The mail server that takes our messages, under ``[smtp]``; its password stands elsewhere, as a secret."""

    host: Annotated[str, AfterValidator(_one_line)] = Field(
        min_length=1, max_length=253, description='the name of your mail server, such as "mail.example.org"'
    )
    port: Whole = Field(587, ge=1, le=65535, description="587 for starttls, 465 for tls, if not given")
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description='"none" sends everything readable by anyone on the way; for a server on this machine'
    )
    sender: Annotated[str, AfterValidator(check_mail_address)] = Field(
        description='the address that messages come from, such as "bitewatch@example.org"'
    )
    sender_name: Annotated[str, AfterValidator(_one_line)] = Field(
        "bitewatch", min_length=1, max_length=60, description="the name that messages come from, one line"
    )
    user: Annotated[str, AfterValidator(_one_line)] | None = Field(
        None, min_length=1, description="the user name at the mail server; leave out if it wants none"
    )
    timeout_s: Number = Field(30.0, gt=0, le=300, description="seconds to wait for each answer before the last byte")
    answer_timeout_s: Number = Field(
        600.0, gt=0, le=3600, description="seconds to wait for the last answer; a short wait makes duplicates"
    )

    @model_validator(mode="before")
    @classmethod
    def _port_of_security(cls, table: Any) -> Any:
        if isinstance(table, dict) and table.get("security") == "tls":
            return {"port": 465, **table}
        return table

    @model_validator(mode="after")
    def _never_in_clear(self) -> Self:
        if self.security == "none" and self.user is not None:
            raise PydanticCustomError(
                "in_clear", "a password is never sent in clear; use starttls or tls, or leave the user out",
                {"key": "user", "value": self.user},
            )  # fmt: skip
        return self

    @property
    def domain(self) -> str:
        """The domain of the sender, which also names our messages and us."""
        return self.sender.rpartition("@")[2]


class WebhookSettings(Declared):
    """What webhooks may do, under ``[webhook]``."""

    allow_lan: tuple[Annotated[str, AfterValidator(_door_text)], ...] = Field(
        (), description="networks of your own that webhooks may reach; empty is the safe choice"
    )

    @property
    def doors(self) -> tuple[Door, ...]:
        """The networks that were opened."""
        return tuple(parse_door(text) for text in self.allow_lan)
