"""The outgoing address guard against the addresses that other guards are known to let through."""

import ssl

import pytest

from bitewatch.delivery.guard import Target, connect, parse_door, parse_url, refusal, resolve_host, vet
from bitewatch.errors import Refused

# flags of the `ipaddress` module pass 64:ff9b::/96, 192.88.99.0/24 and others; the blocks are those of the IANA
# special-purpose registries, the list was put together for this project
LISTED = """
127.0.0.1 0.0.0.0 10.1.1.1 172.31.0.1 192.168.0.1 169.254.169.254 100.64.0.1 100.100.100.200 192.0.0.192 192.88.99.1
198.18.0.1 224.0.0.1 240.0.0.1 255.255.255.255 168.63.129.16 :: ::1 ::ffff:127.0.0.1 ::ffff:169.254.169.254 ::127.0.0.1
64:ff9b::a9fe:a9fe 64:ff9b:1::7f00:1 2002:7f00:1:: 2001:0:7f00:1:: 2001:db8::1 3fff::1 fd00:ec2::254 fe80::1 fec0::1
ff02::1 5f00::1 fe80::1%2 2606:4700::1111%1
"""
REFUSED = LISTED.split()
PUBLIC = ["8.8.8.8", "1.1.1.1", "2606:4700::1111", "::ffff:8.8.8.8"]
# what the system's resolver makes of these is 127.0.0.1
DISGUISED = ["2130706433", "0x7f000001", "0177.0.0.1", "127.1", "①②⑦.0.0.1", "127。0。0。1", "localhost", "LOCALHOST"]


def to(host: str = "hook.example.org", scheme: str = "https", port: int = 443) -> Target:
    return Target(scheme=scheme, host=host, port=port, path="/")


def answers(*texts: str):
    return lambda host, port: list(texts)


@pytest.mark.parametrize("text", REFUSED)
def test_refused(text: str) -> None:
    assert refusal(text) is not None
    with pytest.raises(Refused, match=r"hook\.example\.org"):
        vet(to(), (), answers(text), 1.0)


@pytest.mark.parametrize("text", PUBLIC)
def test_public(text: str) -> None:
    assert refusal(text) is None
    assert len(vet(to(), (), answers(text), 1.0)) == 1


@pytest.mark.parametrize("host", DISGUISED)
def test_what_the_resolver_reads_is_judged_not_what_is_written(host: str) -> None:
    with pytest.raises(Refused, match="not public"):
        vet(parse_url(f"https://{host}/", ()), (), resolve_host, 5.0)


def test_one_bad_answer_among_good_ones_refuses_all() -> None:
    with pytest.raises(Refused, match="not public"):
        vet(to(), (), answers("8.8.8.8", "127.0.0.1", "1.1.1.1"), 1.0)


def test_the_answer_is_not_told() -> None:
    with pytest.raises(Refused) as error:
        vet(to(), (), answers("10.1.2.3"), 1.0)
    assert "10.1.2.3" not in str(error.value)


def test_no_answer_and_a_failing_resolver_are_refused() -> None:
    def fails(host: str, port: int) -> list[str]:
        raise OSError("no such name")

    for resolve in (answers(), fails):
        with pytest.raises(Refused, match="has no address"):
            vet(to(), (), resolve, 1.0)


def test_it_is_resolved_once_and_the_literal_is_connected_to(hook, certificate, trusting) -> None:
    asked: list[str] = []
    server = hook(tls=certificate("elsewhere"))

    def rebinds(host: str, port: int) -> list[str]:
        asked.append(host)
        return ["127.0.0.1"] if len(asked) == 1 else ["8.8.8.8"]

    doors = (parse_door(f"127.0.0.1:{server.port}"),)
    target = to("elsewhere.example", port=server.port)
    with connect(target, doors=doors, resolve=rebinds, tls=trusting, left_s=lambda: 5.0) as connection:
        assert connection.getpeername() == ("127.0.0.1", server.port)
    assert asked == ["elsewhere.example"]


def test_the_certificate_must_be_good_for_the_name(hook, certificate, trusting) -> None:
    server = hook(tls=certificate("elsewhere"))
    doors = (parse_door(f"127.0.0.1:{server.port}"),)
    target = to("hook.example.org", port=server.port)
    with pytest.raises(ssl.SSLCertVerificationError):
        connect(target, doors=doors, resolve=answers("127.0.0.1"), tls=trusting, left_s=lambda: 5.0)
    with pytest.raises(ssl.SSLCertVerificationError):  # and one that nobody vouches for
        connect(target, doors=doors, resolve=answers("127.0.0.1"), tls=None, left_s=lambda: 5.0)


def test_a_door_opens_its_network_only() -> None:
    doors = tuple(parse_door(text) for text in ("192.168.1.0/24", "100.64.0.0/10", "fd00::/8", "127.0.0.1:8123"))
    opened = {"192.168.1.20", "100.64.0.1", "fd12::1", "::ffff:192.168.1.3"}
    for text in opened:
        assert vet(to(scheme="http", port=8123), doors, answers(text), 1.0)
    vet(to(scheme="http", port=8123), doors, answers("127.0.0.1"), 1.0)
    still = ["192.168.2.1", "10.0.0.1", "100.100.100.200", "fd00:ec2::254", "169.254.169.254", "8.8.8.8", "127.0.0.2"]
    for text in still:
        with pytest.raises(Refused):
            vet(to(scheme="http", port=8123), doors, answers(text), 1.0)
    with pytest.raises(Refused):
        vet(to(scheme="http", port=8124), doors, answers("127.0.0.1"), 1.0)


def test_with_a_door_open_the_rest_of_the_list_is_still_refused() -> None:
    doors = (parse_door("192.168.0.0/16"),)
    let_through = []
    for text in REFUSED:
        try:
            vet(to(), doors, answers(text), 1.0)
        except Refused:
            continue
        let_through.append(text)
    assert let_through == ["192.168.0.1"]


def test_http_to_a_public_address_is_refused_though_a_door_is_open() -> None:
    doors = (parse_door("192.168.0.0/16"),)
    with pytest.raises(Refused, match="only https on port 443"):
        vet(to(scheme="http", port=80), doors, answers("8.8.8.8"), 1.0)
    assert vet(to(), doors, answers("8.8.8.8"), 1.0)
