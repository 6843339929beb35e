"""What an answer means: SMTP replies and HTTP status codes, as errors that say what to do."""

import re

from bitewatch.delivery.message import clean_line
from bitewatch.errors import DeliveryDeferred, DeliveryError, DeliveryRefused

_ENHANCED = re.compile(r"([245])\.(\d{1,3})\.(\d{1,3})\b")
LOGIN_REFUSED = (530, 534, 535)  #: RFC 4954, section 6
MOST_SAID = 200


class ChannelPaused(DeliveryDeferred):
    """The channel itself is not in order; no message is at fault, and trying more of them does not help."""


class RelayUnreachable(DeliveryDeferred):
    """The mail server cannot be talked to now; other messages will not fare better in the same minute."""


class EndpointBusy(DeliveryDeferred):
    """The receiver asks to be sent less."""


class EndpointGone(DeliveryRefused):
    """The receiver says that this address is no more."""


def reply_error(code: int, answer: bytes, stage: str, to: str = "") -> DeliveryError:
    """The error that a negative SMTP reply means; the enhanced code of RFC 3463 decides when there is one.

    The reader's address is kept out of the reason: it belongs in the endpoint table only.
    """
    text = clean_line(answer.decode("utf-8", "replace"))
    if to:
        text = re.sub(re.escape(to), "the reader", text, flags=re.IGNORECASE)
    said = f"the mail server said {code} {text[:MOST_SAID]} to {stage}"
    if code in LOGIN_REFUSED:
        return ChannelPaused(said)
    if code == 421 or code < 0:
        return RelayUnreachable(said)
    enhanced = _ENHANCED.match(text)
    first = int(enhanced[1]) if enhanced and enhanced[1] != "2" else code // 100
    if first == 5 and enhanced and enhanced[2] == "1" and enhanced[3] == "1" and stage != "MAIL":
        return EndpointGone(said)
    if first == 5:
        return DeliveryRefused(said)
    return DeliveryDeferred(said)


def raise_for_status(status: int, retry_after: float | None) -> None:
    """The error that an HTTP status other than 2xx means for a webhook (Standard Webhooks 1.0.0)."""
    if 200 <= status < 300:
        return
    said = f"the receiver answered {status}"
    if status == 410:
        raise EndpointGone(said)
    if 300 <= status < 400:
        raise DeliveryDeferred(f"{said}; a redirect is never followed")
    if status in (429, 502, 504):
        raise EndpointBusy(said, retry_after)
    raise DeliveryDeferred(said, retry_after)
