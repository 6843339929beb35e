"""CAP messages and feeds of them, as OASIS CAP 1.2 and RFC 4287 describe them; agencies and texts are invented."""

import html
import json
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitewatch.errors import OutsideFailed, PayloadRefused, SourceRefused, SourceUnavailable, SourceWaits
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.base import Question, Received
from bitewatch.weather.sources.cap import CAP_1_0, NAMESPACES, XmlReason, parse_xml
from bitewatch.weather.sources.cap_feed import MOST_LINKS, CapFeed, read_feed, read_message, shown_address
from bitewatch.weather.warnings import FeedRead, from_json, in_force, to_json, touches
from bitewatch.weather.warnings import Warning as OfficialWarning

UPDATE = (Path(__file__).parents[1] / "data" / "weather" / "cap_update.xml").read_bytes()
NOW = datetime(2026, 6, 1, 17, 0, tzinfo=UTC)
URL = "https://agency.example/feeds/all.atom"
NAMESPACE = NAMESPACES[-1]
AREA = "<area><areaDesc>Lakes</areaDesc><circle>46.2,-94.2 30</circle></area>"
INFO = f"<info><event>Fog</event><severity>Minor</severity><expires>2026-06-01T20:00:00-05:00</expires>{AREA}</info>"


def came(body: str | bytes, url: str = URL) -> Received:
    raw = body.encode() if isinstance(body, str) else body
    return Received(source="cap", url_key=url, fetched_at=NOW, body=raw, content_type="application/cap+xml")


def an_alert(
    inside: str = INFO, *, number: int = 1, namespace: str = NAMESPACE, status: str = "Actual",
    message_type: str = "Alert",
    scope: str = "<scope>Public</scope>", references: str = "", sent: str = "2026-06-01T11:00:00-05:00",
) -> str:  # fmt: skip
    return (
        f'<alert xmlns="{namespace}"><identifier>I-{number}</identifier><sender>a@agency.example</sender>'
        f"<sent>{sent}</sent><status>{status}</status><msgType>{message_type}</msgType>{scope}"
        f"<references>{references}</references>{inside}</alert>"
    )


def read(body: str | bytes) -> tuple[OfficialWarning, ...]:
    return read_message(came(body), feed="a.example")


def refused(body: str | bytes) -> str:
    with pytest.raises(PayloadRefused) as caught:
        read(body)
    return caught.value.reason


# --- one message


def test_a_message_is_read_as_it_stands() -> None:
    (one,) = read(UPDATE)
    assert one.id == "warnings@agency.example,INVENTED-2026-0601-002,2026-06-01T16:02:00+00:00"
    assert one.references == ("warnings@agency.example,INVENTED-2026-0601-001,2026-06-01T14:10:00+00:00",)
    assert (one.feed, one.message_type, one.event, one.language) == ("a.example", "Update", "Thunderstorm", "en-US")
    assert one.description == "  Invented text,\n  with its lines & <signs>.\n"
    assert (one.headline, one.instruction) == ("Thunderstorm warning until 8 PM", "Leave the water.")
    assert (one.sender_name, one.web, one.area) == ("Invented Agency", "https://agency.example/w/2", "Lake district")
    assert (one.severity, one.urgency, one.certainty, one.codes) == ("Severe", "Expected", "Likely", ("SVR",))
    assert one.onset == datetime(2026, 6, 1, 18, 0, tzinfo=UTC)
    assert one.ends == datetime(2026, 6, 2, 1, 0, tzinfo=UTC)
    assert one.zones == ("MNZ025",)
    assert one.circles == ((47.5, -95.25, 12.5),)
    assert touches(one, 46.2, -94.2, [])  # latitude first: CAP 1.2, 3.2.4
    assert not touches(one, 45.9, -94.2, [])


def test_references_match_however_the_time_was_written() -> None:
    first = read(an_alert(sent="2026-06-01T14:10:00-00:00"))
    (update,) = read(
        an_alert(number=2, message_type="Update", references="a@agency.example,I-1,2026-06-01T09:10:00-05:00")
    )
    assert update.references == (first[0].id,)
    assert in_force([*first, update], NOW) == (update,)


def test_several_references_and_broken_ones() -> None:
    said = "a,b,2026-06-01T09:10:00-05:00\n  c,d,e,2026-06-01T09:10:00Z x,y,yesterday lonely ,,2026-06-01T09:10:00Z"
    (one,) = read(an_alert(message_type="Update", references=said))
    assert one.references == ("a,b,2026-06-01T14:10:00+00:00", "c,d,e,2026-06-01T09:10:00+00:00")


@pytest.mark.parametrize("namespace", NAMESPACES)
def test_three_versions_are_read(namespace: str) -> None:
    assert [one.event for one in read(an_alert(namespace=namespace))] == ["Fog"]


def test_version_1_0_writes_codes_in_one_text_and_may_leave_out_the_scope() -> None:
    info = INFO.replace("</area>", "<geocode>UGC=MNZ025</geocode></area>")
    (one,) = read(an_alert(info, namespace=CAP_1_0, scope=""))
    assert one.zones == ("MNZ025",)
    assert refused(an_alert(scope="")) == Reason.WRONG_SHAPE


@pytest.mark.parametrize("encoding", ["ISO-8859-1", "UTF-8", "UTF-16", "windows-1252"])
def test_encodings_that_are_declared_are_read(encoding: str) -> None:
    text = f'<?xml version="1.0" encoding="{encoding}"?>{an_alert(INFO.replace("Fog", "Brouillard é"))}'
    assert read(text.encode(encoding))[0].event == "Brouillard é"


@pytest.mark.parametrize("encoding", ["klingon", "UTF-7", "Shift_JIS"])
def test_encodings_that_cannot_be_read_are_refused(encoding: str) -> None:
    assert refused(f'<?xml version="1.0" encoding="{encoding}"?>{an_alert()}') == XmlReason.NOT_XML


def test_no_info_is_nothing_to_show_but_takes_back() -> None:
    assert read(an_alert("")) == ()
    first = read(an_alert())
    said = "a@agency.example,I-1,2026-06-01T11:00:00-05:00"
    cancel = read(an_alert("", number=2, message_type="Cancel", references=said))
    assert len(cancel) == 1
    assert in_force([*first, *cancel], NOW) == ()
    update = read(an_alert("", number=3, message_type="Update", references=said))
    assert in_force([*first, *update], NOW) == ()


def test_english_is_shown_where_there_is_english_else_what_comes_first() -> None:
    def info(language: str, event: str) -> str:
        return INFO.replace("<info>", f"<info><language>{language}</language>" if language else "<info>").replace(
            "Fog", event
        )

    assert [one.event for one in read(an_alert(info("fr-CA", "Brume") + info("en-CA", "Fog")))] == ["Fog"]
    assert [one.event for one in read(an_alert(info("fr-CA", "Brume") + info("de", "Nebel")))] == ["Brume"]
    assert [one.event for one in read(an_alert(info("fr-CA", "Brume") + info("", "Fog")))] == [
        "Fog"
    ]  # the default: 3.2.2
    two = read(an_alert(info("EN-ca", "Fog") + info("fr-CA", "Brume") + info("en-CA", "Wind")))
    assert [one.event for one in two] == ["Fog", "Wind"]  # one message, two warnings: neither is lost
    assert two[1].id == f"{two[0].id}#2"
    assert two[0].message_id == two[1].message_id == two[0].id


@pytest.mark.parametrize(
    "changes",
    [
        {"status": "Exercise"}, {"status": "System"}, {"status": "Test"}, {"status": "Draft"}, {"message_type": "Ack"},
        {"message_type": "Error"}, {"scope": "<scope>Private</scope>"}, {"scope": "<scope>Restricted</scope>"},
    ],
)  # fmt: skip
def test_only_actual_and_public_messages_count(changes: dict[str, Any]) -> None:
    """CAP 1.2, 3.2.1; nor does a test take anything back."""
    assert read(an_alert(**changes)) == ()
    if "message_type" not in changes:
        assert read(an_alert(**{**changes, "message_type": "Cancel", "references": "a,b,2026-06-01T11:00:00Z"})) == ()


@pytest.mark.parametrize("said", ["<responseType>AllClear</responseType>", "<urgency>Past</urgency>"])
def test_all_clear_and_the_past_are_over(said: str) -> None:
    (one,) = read(an_alert(INFO.replace("<severity>", f"{said}<severity>")))
    assert in_force([one], NOW) == ()


def test_green_entries_are_no_warnings() -> None:
    def level(value: str) -> str:
        parameter = f"<parameter><valueName>awareness_level</valueName><value>{value}</value></parameter>"
        return INFO.replace("<area>", f"{parameter}<area>")

    assert read(an_alert(level("1; green; Minor"))) == ()
    assert len(read(an_alert(level("2; yellow; Moderate")))) == 1
    assert len(read(an_alert(level("11; unheard of")))) == 1


def test_times_that_are_missing() -> None:
    """`effective` is when it was sent if not said (CAP 1.2, 3.2.2); the onset then is when it takes effect."""
    (bare,) = read(an_alert("<info><event>Fog</event></info>"))
    assert (bare.onset, bare.ends) == (bare.sent, None)
    (effective,) = read(an_alert("<info><effective>2026-06-01T20:00:00+02:00</effective></info>"))
    assert effective.onset == datetime(2026, 6, 1, 18, 0, tzinfo=UTC)


def test_several_areas_are_one() -> None:
    other = "<area><areaDesc>Hills</areaDesc><polygon/><polygon> </polygon><circle>47,-95 0</circle></area>"
    (one,) = read(an_alert(INFO.replace(AREA, AREA + other)))
    assert (one.area, one.polygons, one.circles) == ("Lakes; Hills", (), ((46.2, -94.2, 30.0),))


def test_texts_are_not_touched() -> None:
    hostile = " <script>alert(1)</script> {{ 7*7 }} \u202egnp.exe\u2066\t &amp; …\u2028 "
    info = INFO.replace("<event>Fog", f"<event>{html.escape(hostile)}").replace(
        "<area>", "<web>javascript:x</web><area>"
    )
    (one,) = read(an_alert(info))
    assert (one.event, one.web) == (hostile, "")
    (marked,) = read(an_alert("<info><description>be<b xmlns=''>war</b>e</description></info>"))
    assert marked.description == "beware"


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("<circle>46.2,-94.2 30</circle>", "<polygon>46,-94 47,-94 47,-93 46,-93</polygon>"),
        ("<circle>46.2,-94.2 30</circle>", "<polygon>46,-94 47,-94 46,-94</polygon>"),
        ("<circle>46.2,-94.2 30</circle>", "<polygon>96,-94 47,-94 47,-93 96,-94</polygon>"),
        ("<circle>46.2,-94.2 30</circle>", "<polygon>-94 46 -94 47 -93 47 -94 46</polygon>"),
        ("<circle>46.2,-94.2 30</circle>", "<polygon>nan,-94 47,-94 47,-93 nan,-94</polygon>"),
        ("46.2,-94.2 30", "46.2,-94.2"), ("46.2,-94.2 30", "46.2,-94.2 -1"), ("46.2,-94.2 30", "46.2,-94.2 inf"),
        ("46.2,-94.2 30", "46.2,-94.2 3_0"), ("46.2,-94.2 30", "46.2,-94.2 ٣"), ("46.2,-94.2 30", "46.2,-94.2 30 40"),
        ("<expires>2026-06-01T20:00:00-05:00", "<expires>2026-06-01T20:00:00"),
        ("<expires>2026-06-01T20:00:00-05:00", "<expires>soon"),
        ("<status>Actual", "<status>actual"), ("<status>Actual", "<status>"), ("<msgType>Alert", "<msgType>Alarm"),
        ("<identifier>I-1", "<identifier> "), ("<sender>a@agency.example", "<sender>"), ("11:00:00-05:00", "11:00"),
        ("<sent>2026-06-01T11:00:00-05:00</sent>", ""), ("<identifier>I-1", f"<identifier>{'x' * 300}"),
        (NAMESPACE, "urn:oasis:names:tc:emergency:cap:2.0"), (f' xmlns="{NAMESPACE}"', ""),
    ],
)  # fmt: skip
def test_what_does_not_have_the_agreed_form_is_refused(good: str, bad: str) -> None:
    assert good in an_alert()
    assert refused(an_alert().replace(good, bad)) == Reason.WRONG_SHAPE


# --- what XML can hide


LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
BOMBS = {
    "billion laughs": f'<!DOCTYPE alert [<!ENTITY l0 "ha">{LAUGHS}]>',
    "quadratic blowup": f'<!DOCTYPE alert [<!ENTITY l9 "{"a" * 50_000}">]>',
    "external entity": '<!DOCTYPE alert [<!ENTITY l9 SYSTEM "file:///etc/hostname">]>',
    "external entity over the network": '<!DOCTYPE alert [<!ENTITY l9 SYSTEM "http://127.0.0.1:9/x">]>',
    "parameter entity": '<!DOCTYPE alert [<!ENTITY % p SYSTEM "http://127.0.0.1:9/x">%p;]>',
    "external document type": '<!DOCTYPE alert SYSTEM "http://127.0.0.1:9/alert.dtd">',
    "bare document type": "<!DOCTYPE alert>",
}


@pytest.mark.parametrize("bomb", list(BOMBS))
def test_document_types_and_entities_are_kept_out(bomb: str) -> None:
    start = time.process_time()
    assert refused(BOMBS[bomb] + an_alert(INFO.replace("Fog", "&l9;" * 2000))) == XmlReason.DECLARES
    assert time.process_time() - start < 1.0


def test_deep_and_broken_xml_is_refused() -> None:
    for body in (
        b"",
        b"\x00",
        b"<html><br></html>",
        b"{}",
        UPDATE[:-20],
        UPDATE + b"<more/>",
        an_alert("&undeclared;").encode(),
    ):
        assert refused(body) == XmlReason.NOT_XML
    assert refused("<a>" * 100_000 + "</a>" * 100_000) == Reason.WRONG_SHAPE
    assert read(an_alert("<info><description>" + "<a>" * 20_000 + "x" + "</a>" * 20_000 + "</description></info>"))


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_a_damaged_message_is_refused_or_read(data: st.DataObject) -> None:
    body = bytearray(UPDATE)
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(body) - 1))
        piece = data.draw(
            st.binary(max_size=4) | st.sampled_from([b"<", b">", b"</area>", b"9", b"-", b",", b"2026", b"&#0;"])
        )
        body[start : start + data.draw(st.integers(0, 12))] = piece
    try:
        found = read_feed(came(bytes(body)), feed="a.example", url=URL)
    except PayloadRefused:
        return
    is_well_formed(FeedRead(warnings=found.warnings))


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_whatever_stands_in_a_field_is_refused_or_read(data: st.DataObject) -> None:
    root = parse_xml(UPDATE)
    leaves = [element for element in root.iter() if not len(element)]
    leaf = data.draw(st.sampled_from(leaves))
    text = data.draw(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=20))
    old = html.escape(leaf.text or "", quote=False)
    changed = UPDATE.decode().replace(f">{old}<", f">{html.escape(text)}<", 1)
    try:
        found = read(changed)
    except PayloadRefused:
        return
    is_well_formed(FeedRead(warnings=found))


def is_well_formed(found: FeedRead) -> None:
    """Whatever comes out can be weighed, placed, kept and written down."""
    in_force(found.warnings, NOW)
    for one in found.warnings:
        touches(one, 46.2, -94.2, ["MNZ025"])
        assert from_json(json.loads(json.dumps(to_json(one)))) == one
        assert one.id
        f"{one.event}{one.headline}{one.description}{one.area}{''.join(one.zones)}".encode()


# --- feeds


class Answers:
    """Asks nobody: addresses and what they answer; counts how often each was asked."""

    def __init__(self, **answers: str | OutsideFailed):
        self.answers = {name.replace("_", "/"): answer for name, answer in answers.items()}
        self.asked: list[str] = []
        self.keys: set[str] = set()

    def facts(self, source: str, question: Question, read: Callable[[Received], Any], *, now: datetime) -> Any:
        path = urlsplit(question.url).path.strip("/")
        self.asked.append(path)
        self.keys.add(question.key)
        answer = self.answers[path]
        if isinstance(answer, OutsideFailed):
            raise answer
        return read(came(answer, question.url))


def atom(*entries: str) -> str:
    return f'<feed xmlns="http://www.w3.org/2005/Atom"><title>Invented</title>{"".join(entries)}</feed>'


def cap_link(href: str, updated: str = "2026-06-01T16:00:00Z") -> str:
    return (
        f'<entry><updated>{updated}</updated><link rel="alternate" type="text/html" href="/page"/>'
        f'<link type="application/cap+xml" href="{href}"/></entry>'
    )


def fetch(asking: Answers, feed: CapFeed | None = None) -> FeedRead:
    return (feed or CapFeed("https://agency.example/feed")).fetch(asking, now=NOW)  # type: ignore[arg-type]


def numbers(found: FeedRead) -> list[str]:
    return [one.id.split(",")[1] for one in found.warnings]


def test_a_feed_may_be_one_message() -> None:
    assert numbers(fetch(Answers(feed=an_alert()))) == ["I-1"]
    assert fetch(Answers(feed=an_alert(""))) == FeedRead()


def test_an_atom_feed_may_hold_its_messages_or_link_to_them() -> None:
    held = f'<entry><content type="text/xml">{an_alert(number=1)}</content></entry>'
    asking = Answers(
        feed=atom(held, cap_link("m/2"), cap_link("https://agency.example/m/3")),
        m_2=an_alert(number=2),
        m_3=an_alert(number=3),
    )
    found = fetch(asking)
    assert numbers(found) == ["I-1", "I-2", "I-3"]
    assert found.unread == ()
    assert fetch(Answers(feed=atom())) == FeedRead()


def test_the_items_of_rss_link_to_messages() -> None:
    items = (
        "<item><title>x</title><link>https://agency.example/m/1</link><pubDate>Mon</pubDate></item>"
        '<item><link>https://agency.example/page</link><enclosure type="application/cap+xml" url="/m/2"/></item>'
    )
    asking = Answers(
        feed=f'<rss version="2.0"><channel>{items}</channel></rss>', m_1=an_alert(), m_2=an_alert(number=2)
    )
    assert numbers(fetch(asking)) == ["I-1", "I-2"]
    assert asking.asked == ["feed", "m/1", "m/2"]


def test_a_message_is_asked_for_once_until_its_list_says_it_changed() -> None:
    feed = CapFeed("https://agency.example/feed")
    asking = Answers(feed=atom(cap_link("m/1"), cap_link("m/1")), m_1=an_alert())
    assert numbers(fetch(asking, feed)) == numbers(fetch(asking, feed)) == ["I-1"]
    assert asking.asked == ["feed", "m/1", "feed"]
    before = set(asking.keys)
    asking.answers |= {"feed": atom(cap_link("m/1", "2026-06-01T17:00:00Z")), "m/1": an_alert(number=7)}
    assert numbers(fetch(asking, feed)) == ["I-7"]
    assert len(asking.keys - before) == 1  # another question to whoever keeps answers


@pytest.mark.parametrize(
    "href",
    [
        "https://elsewhere.example/m/1", "http://agency.example/m/1", "https://agency.example:444/m/1",
        "https://agency.example.evil.example/m/1", "https://me@agency.example/m/1", "file:///etc/hostname",
        "https://agency.example:x/m/1", "https://[/m/1", "/m 1", "/m/\u0131", "",
    ],
)  # fmt: skip
def test_no_link_leads_to_another_host(href: str) -> None:
    asking = Answers(feed=atom(cap_link(href), cap_link("/m/2")), m_2=an_alert(number=2))
    found = fetch(asking)
    assert numbers(found) == ["I-2"]
    assert [one.zones for one in found.unread] == [None]
    assert asking.asked == ["feed", "m/2"]


def test_the_default_port_is_the_same_host() -> None:
    assert numbers(fetch(Answers(feed=atom(cap_link("https://agency.example:443/m/1")), m_1=an_alert()))) == ["I-1"]


def test_no_more_links_are_followed_than_can_be() -> None:
    many = {f"m_{number}": an_alert(number=number) for number in range(MOST_LINKS + 5)}
    found = fetch(Answers(feed=atom(*[cap_link(name.replace("_", "/")) for name in many]), **many))
    assert len(found.warnings) == MOST_LINKS
    assert [one.why for one in found.unread] == ["it lists 105 messages, of which 100 are read"]


@pytest.mark.parametrize(
    ("failure", "asked_after"),
    [
        (SourceRefused("agency.example: answered 404", status=404), True),
        (PayloadRefused(XmlReason.NOT_XML), True),
        (SourceWaits("its answer was set aside", NOW, only_this=True), True),
        (SourceWaits("agency.example is left alone", NOW), False),
        (SourceUnavailable("agency.example: did not answer in time"), False),
    ],
)  # fmt: skip
def test_a_message_that_does_not_come_is_told(failure: OutsideFailed, asked_after: bool) -> None:
    feed = CapFeed("https://agency.example/feed")
    asking = Answers(
        feed=atom(cap_link("m/1"), cap_link("m/2"), cap_link("m/3")),
        m_1=an_alert(),
        m_2=failure,
        m_3=an_alert(number=3),
    )
    found = fetch(asking, feed)
    assert numbers(found) == (["I-1", "I-3"] if asked_after else ["I-1"])
    assert len(found.unread) == 1
    assert str(failure) in found.unread[0].why
    asking.answers["m/2"] = an_alert(number=2)
    assert sorted(numbers(fetch(asking, feed))) == ["I-1", "I-2", "I-3"]


def test_a_broken_entry_does_not_lose_the_others() -> None:
    bad = f"<entry><content>{an_alert(status='?')}</content></entry>"
    found = fetch(Answers(feed=atom(bad, "<entry><title>no link</title></entry>", cap_link("m/1")), m_1=an_alert()))
    assert numbers(found) == ["I-1"]
    assert len(found.unread) == 2


def test_a_feed_that_fails_is_no_feed() -> None:
    with pytest.raises(SourceUnavailable):
        fetch(Answers(feed=SourceUnavailable("agency.example: answered 503")))
    with pytest.raises(PayloadRefused, match="neither CAP nor a list"):
        fetch(Answers(feed="<html/>"))
    page = Answers(feed=atom(cap_link("m/1")), m_1="<html/>")
    assert [one.why for one in fetch(page).unread] == [
        "agency.example/m/1: the body does not have the agreed shape: no CAP message but 'html'"
    ]


def test_no_key_is_shown() -> None:
    shown = shown_address("https://agency.example:8443/feed?key=secret#secret")
    assert shown.startswith("agency.example:8443/feed#")
    assert "secret" not in shown
    assert shown != shown_address("https://agency.example:8443/feed?key=other")
    assert shown_address("https://agency.example/feed") == "agency.example/feed"
    assert len(shown_address(f"https://agency.example/{'x' * 900}")) < 200


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_damaged_feed_is_refused_or_read(data: st.DataObject) -> None:
    whole = atom(f"<entry><content>{an_alert()}</content></entry>", cap_link("m/1"), cap_link("/m/2")).encode()
    body = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(body) - 1))
        body[start : start + data.draw(st.integers(0, 12))] = data.draw(
            st.binary(max_size=4) | st.sampled_from([b"//", b":", b"["])
        )
    try:
        found = read_feed(came(bytes(body)), feed="a.example", url=URL)
    except PayloadRefused:
        return
    is_well_formed(FeedRead(warnings=found.warnings))
    for link in found.links:
        assert urlsplit(link.url).netloc.lower() in ("agency.example", "agency.example:443")


def test_a_hundred_messages_are_read_in_no_time() -> None:
    body = atom(*[f"<entry><content>{an_alert(number=number)}</content></entry>" for number in range(100)])
    start = time.process_time()
    assert len(read_feed(came(body), feed="a.example", url=URL).warnings) == 100
    assert time.process_time() - start < 0.5


def test_feeds_are_read_every_two_minutes() -> None:
    assert CapFeed.every == timedelta(seconds=120)
    question = CapFeed("https://agency.example/feed?key=secret").question()
    assert question.url == "https://agency.example/feed?key=secret"
    assert "secret" not in question.key
