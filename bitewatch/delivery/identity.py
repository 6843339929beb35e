"""The names of a message: one key, and what is made from it, the same for every try."""

import hashlib
import hmac
from datetime import date

from bitewatch.delivery.address import check_domain


def message_key(subscription: str, local_date: date, kind: str, seq: int) -> str:
    """The key of the one message that a subscription is owed."""
    if ":" in subscription or ":" in kind:
        raise ValueError(f"a key cannot be made of {subscription!r} and {kind!r}: they hold a colon")
    return f"{subscription}:{local_date.isoformat()}:{kind}:{seq}"


def stem(install_secret: bytes, key: str) -> str:
    """What outsiders see in place of a key: it tells them nothing, and they cannot make one."""
    return hmac.new(install_secret, key.encode(), hashlib.sha256).hexdigest()[:32]


def message_id(stem_hex: str, domain: str) -> str:
    """The Message-ID of a mail, with its angle brackets."""
    return f"<{stem_hex}.v1@{check_domain(domain)}>"


def webhook_id(stem_hex: str) -> str:
    """The ``webhook-id``; a receiver that remembers it sees each message once."""
    return f"msg_{stem_hex}"
