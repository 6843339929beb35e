"""Addresses as their owners write them, and the settings that say what may be used."""

from pathlib import Path

import pytest

from bitewatch.declared import declare
from bitewatch.delivery.address import Kind, check_address, parse_address
from bitewatch.delivery.guard import parse_door
from bitewatch.delivery.settings import SmtpSettings, WebhookSettings
from bitewatch.errors import ConfigRefused, Refused

DOOR = (parse_door("192.168.1.0/24"),)


def test_the_three_kinds() -> None:
    assert parse_address("mailto:Pat.Lee+brief@Example.ORG").value == "Pat.Lee+brief@example.org"
    hook = parse_address("https://example.org/hook?key=1")
    assert (hook.kind, hook.value) == (Kind.WEBHOOK, "https://example.org/hook?key=1")
    assert parse_address("file:/var/briefs").value == str(Path("/var/briefs").resolve())
    assert parse_address("file:///var/briefs") == parse_address("file:/var/briefs")
    assert parse_address("file:briefs").value == str(Path.cwd() / "briefs")


@pytest.mark.parametrize(
    "text",
    [
        "", "pat@example.org", "ftp://example.org/x", "mailto:", "mailto:pat", "mailto:pat@", "mailto:a@b@c",
        "mailto:pat@example.org?cc=x@example.org", "mailto:pat@exa mple.org", "mailto:pat@example.org\r\nBcc: x@y.org",
        "mailto:" + "a" * 65 + "@example.org", "mailto:pät@example.org", "mailto:.pat@example.org", "file:",
        "file://host/folder", "file:a\x00b", "https://", "https:///path", "http://example.org/", "https://a:b@example.org/",
        "https://example.org:8443/", "https://exam ple.org/", "https://example.org\\@127.0.0.1/", "https://[fe80::1%25eth0]/",
        "https://example.org/ä", "https://example.org:99999/", "https://" + "a" * 2050,
    ],
)  # fmt: skip
def test_what_is_not_an_address_is_refused_with_what_is(text: str) -> None:
    with pytest.raises(Refused, match=r"mailto:NAME@DOMAIN.*file:FOLDER|file:FOLDER or"):
        parse_address(text)


def test_http_and_other_ports_only_with_a_door() -> None:
    assert parse_address("http://192.168.1.20:8123/in", doors=DOOR).kind is Kind.WEBHOOK
    check_address(parse_address("http://192.168.1.20:8123/in", doors=DOOR), doors=DOOR)
    with pytest.raises(Refused, match="allow_lan"):
        parse_address("http://192.168.1.20:8123/in")
    outside = parse_address("http://192.168.2.20/in", doors=DOOR)
    with pytest.raises(Refused, match="not public"):
        check_address(outside, doors=DOOR)


def test_starttls_on_587_unless_said_otherwise() -> None:
    table = {"host": "mail.example.org", "sender": "bitewatch@Example.org"}
    given = declare(SmtpSettings, table, file="settings.toml")
    assert (given.port, given.security, given.domain) == (587, "starttls", "example.org")
    assert declare(SmtpSettings, {**table, "security": "tls"}, file="settings.toml").port == 465
    assert declare(SmtpSettings, {**table, "security": "tls", "port": 4465}, file="settings.toml").port == 4465
    assert declare(SmtpSettings, {**table, "security": "none"}, file="settings.toml").security == "none"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"security": "ssl"}, r"smtp.security|security.*must be one of"),
        ({"security": "none", "user": "pat"}, "never sent in clear"),
        ({"sender": "nobody"}, "sender.*plain letters"),
        ({"sender_name": "a  b"}, "sender_name.*one line"),
        ({"port": 0}, "port.*at least 1"),
        ({"timeout": 3}, "did you mean timeout_s"),
        ({"host": ""}, "host"),
    ],
)
def test_wrong_mail_settings_are_told_plainly(change: dict[str, object], told: str) -> None:
    table = {"host": "mail.example.org", "sender": "bitewatch@example.org"}
    with pytest.raises(ConfigRefused, match=told):
        declare(SmtpSettings, {**table, **change}, file="settings.toml")


@pytest.mark.parametrize(
    "entry", ["192.168.1.0/24", "10.0.0.7", "100.64.0.0/10", "fc00::/7", "fd12:3456::/32", "127.0.0.1:8123", "[::1]:80"]
)
def test_doors_that_may_be_opened(entry: str) -> None:
    assert len(declare(WebhookSettings, {"allow_lan": [entry]}, file="settings.toml").doors) == 1


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ("0.0.0.0/0", "opens too much"), ("::/0", "opens too much"), ("8.8.8.0/24", "opens too much"),
        ("127.0.0.0/8", "opens too much"), ("127.0.0.1", "opens too much"), ("169.254.0.0/16", "opens too much"),
        ("10.0.0.0/7", "opens too much|did you mean"), ("192.168.1.20/24", r"did you mean 192\.168\.1\.0/24"),
        ("192.168.1.20:80", "loopback address with its port"), ("127.0.0.1:0", "loopback"), ("home", "192.168.1.0/24"),
        ("fe80::/10", "opens too much"), ("::ffff:10.0.0.0/104", "opens too much"),
    ],
)  # fmt: skip
def test_doors_that_are_refused(entry: str, told: str) -> None:
    with pytest.raises(ConfigRefused, match=rf"allow_lan\[2\].*({told})"):
        declare(WebhookSettings, {"allow_lan": ["10.0.0.0/8", entry]}, file="settings.toml")
