"""Text, page and JSON of one composition say the same."""

import json
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from bitewatch.brief.compose import BRIEF_FORM
from bitewatch.brief.page import NO_BREAK_HYPHEN, NO_BREAK_SPACE, STRIP_CID, render_page
from bitewatch.brief.payload import payload_schema, render_payload
from bitewatch.brief.standing_call import told_view
from bitewatch.brief.text import WIDTH, render_text
from bitewatch.delivery.message import standalone_page
from bitewatch.units import UnitSystem
from bitewatch.weather.following import Standing
from bitewatch.weather.fronts import FrontKind
from bitewatch.weather.hourly import COLUMNS

NEW_LINE, INDENTED = "\n", "\n  "
VOID = {"meta", "img", "br", "link", "hr", "input"}


class Page(HTMLParser):
    """Elements with their attributes, and the text of paragraphs, headings and title; refuses a page out of shape."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.elements, self.open, self.texts = [], [], []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag in ("p", "h2", "title"):
            self.texts.append((tag, ""))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] in ("p", "h2", "title"):
            tag, text = self.texts[-1]
            self.texts[-1] = (tag, text + data.replace(NO_BREAK_HYPHEN, "-").replace(NO_BREAK_SPACE, " "))
        else:
            assert self.open[-1:] == ["style"] or not data.strip()

    def all(self, tag):
        return [text for one, text in self.texts if one == tag]


def unwrapped(text):
    """The lines of a text, each put together again."""
    lines = []
    for line in text.splitlines():
        if line.startswith("  ") and lines:
            lines[-1] += " " + line.strip()
        else:
            lines.append(line)
    return lines


def squeezed(text):
    return " ".join(text.split())


@pytest.fixture
def every(lake, lake_day, with_columns, briefed, nothing_known, warning, some, front, turn_of, told_high):
    """Briefs and turns of every kind: name -> brief."""
    three = [lake_day(lake(name)) for name in ("thrennick", "umberfold", "skarrow")]
    storm = with_columns(wind_speed_ms=14.0, wind_gust_ms=22.0, cape_jkg=2400.0, air_temp_c=34.0, humidity_pct=80.0)
    warned = lake_day(official=some(warning(), warning(id="w2", ends=None), warning(id="w3", onset=three[0].end)))
    with_fronts = replace(three[0], known_fronts=(front(2), front(12, id=2, kind=FrontKind.WARM)))
    gone = replace(three[0], known_fronts=(front(2, standing=Standing.GONE),))
    announced = told_view(replace(three[0], known_fronts=(front(6),)))
    return {
        "official warnings": briefed(warned),
        "a front in the trip": briefed(with_fronts),
        "turned": turn_of((three[0], told_high(three[0]))),
        "turned, metric": turn_of((three[0], told_high(three[0])), units=UnitSystem.METRIC),
        "earlier": turn_of((with_fronts, announced)),
        "gone": turn_of((gone, announced)),
        "warned, and another turned": turn_of((warned, told_view(three[0])), (three[2], told_high(three[2]))),
        "warned without weather": turn_of((replace(warned, outlook=None, weather=None, no_call="none"), announced)),
        "one lake": briefed(three[0]),
        "three lakes": briefed(*three),
        "metric": briefed(*three, units=UnitSystem.METRIC),
        "rock": briefed(three[2]),
        "only name and place": briefed(lake_day(lake())),
        "no weather": briefed(lake_day(hourly=None)),
        "no weather, only name and place": briefed(lake_day(lake(), hourly=None)),
        "every hour missing": briefed(lake_day(hourly=nothing_known)),
        "one of two without weather": briefed(three[0], lake_day(lake("umberfold"), hourly=None)),
        "danger": briefed(lake_day(hourly=storm)),
        "late": briefed(three[0], notices=("This brief is 2 hours late.",)),
    }


def say_the_same(brief):
    """Assert that the three renderings of a brief hold every line, in the same order, and nothing else."""
    lines = [line for section in brief.sections for line in section.lines]
    titles = [section.title for section in brief.sections]

    text = render_text(brief).removesuffix("\n")
    for section in brief.sections:
        if section.verbatim:  # another's text, blank lines and all
            block = "\n".join(
                [section.title.upper(), *(f"- {line.replace(NEW_LINE, INDENTED)}" for line in section.lines)]
            )
            block = "\n".join(line.rstrip() for line in block.split("\n"))
            assert text.count(f"\n\n{block}\n\n") == 1
            text = text.replace(f"\n\n{block}\n\n", "\n\n")
    blocks = text.split("\n\n")
    own = [section for section in brief.sections if not section.verbatim]
    assert squeezed(blocks[0]) == squeezed(" ".join(brief.headline))
    assert [block.split("\n", 1)[0] for block in blocks[1:]] == [section.title.upper() for section in own]
    in_text = [line for block in blocks[1:] for line in unwrapped(block.split("\n", 1)[1])]
    assert [squeezed(line) for line in in_text] == [squeezed(f"- {line}") for one in own for line in one.lines]

    page = Page(render_page(brief))
    assert page.all("p") == [*brief.headline, *lines]
    assert page.all("h2") == titles
    assert page.all("title") == [brief.subject]

    payload = json.loads(json.dumps(render_payload(brief), allow_nan=False))
    assert payload["headline"] == list(brief.headline)
    assert [(one["title"], one["lines"]) for one in payload["sections"]] == [
        (one.title, list(one.lines)) for one in brief.sections
    ]
    Draft202012Validator(payload_schema()).validate(payload)
    return page, payload


def test_they_say_the_same(every):
    for brief in every.values():
        say_the_same(brief)


def test_the_schema_is_one_and_says_no_to_what_is_wrong(every):
    schema = payload_schema()
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    validator = Draft202012Validator(schema)
    payload = json.loads(json.dumps(render_payload(every["three lakes"])))
    assert payload["form"] == BRIEF_FORM
    assert validator.is_valid(payload)
    for key in payload:
        assert not validator.is_valid({name: value for name, value in payload.items() if name != key})
    for key in payload["lakes"][0]:
        lakes = [{name: value for name, value in payload["lakes"][0].items() if name != key}]
        assert not validator.is_valid(payload | {"lakes": lakes})
    assert not validator.is_valid(payload | {"stars": 5})
    assert not validator.is_valid(payload | {"lakes": []})
    window = payload["lakes"][0]["calls"][0]["windows"][0]
    for wrong in ({"position": "deep"}, {"pace": "fast"}, {"fish": None}, {"start": "05:30"}):
        calls = [payload["lakes"][0]["calls"][0] | {"windows": [window | wrong]}]
        assert not validator.is_valid(payload | {"lakes": [payload["lakes"][0] | {"calls": calls}]})


def test_numbers_behind_the_sentences(every):
    payload = render_payload(every["one lake"])
    (one,) = payload["lakes"]
    window = one["calls"][0]["windows"][0]
    assert sum(window["probability"].values()) == pytest.approx(1.0, abs=1e-3)
    bait = window["main"]["bait"]
    feet = [round(bait[end] / 0.3048) for end in ("top_m", "bottom_m")]
    assert f"bait {feet[0]}-{feet[1]} ft down" in payload["headline"][0]
    assert (one["trip"]["start"], window["start"]) == ("2026-07-21T09:30:00Z", "2026-07-21T09:30:00Z")
    ends = [window["end"] for window in one["calls"][0]["windows"]]
    assert ends[-1] == one["trip"]["end"] == "2026-07-21T15:00:00Z"
    assert one["weather"]["source"] == "made-up"


def test_text_is_narrow(every):
    for brief in every.values():
        own = replace(brief, sections=tuple(one for one in brief.sections if not one.verbatim))
        assert max(len(line) for line in render_text(own).splitlines()) <= WIDTH


def test_the_page_is_small_and_asks_nobody(every):
    for brief in every.values():
        html = render_page(brief)
        assert len(html.encode()) < 102_000  # a large mail service cuts longer pages off; common practice
        page = Page(html)
        assert not {tag for tag, _ in page.elements} & {
            "script",
            "link",
            "iframe",
            "object",
            "form",
            "svg",
            "base",
            "a",
        }
        for _, attributes in page.elements:
            assert not {name for name in attributes if name.startswith("on")}
            assert attributes.get("src", f"cid:{STRIP_CID}") == f"cid:{STRIP_CID}"
            assert "href" not in attributes
        assert "http:" not in html
        assert "https:" not in html.replace("https://agency.invalid/w/1", "")  # as text, in a warning
        assert "url(" not in html
        assert "@import" not in html
        images = [attributes for tag, attributes in page.elements if tag == "img"]
        assert len(images) == (brief.strip is not None)
        assert all(image["alt"].startswith("Water column of ") for image in images)


def test_danger_is_a_danger_on_the_page_and_stands_first(every):
    page = Page(render_page(every["danger"]))
    first = next(attributes for tag, attributes in page.elements if tag == "p")
    assert first["role"] == "alert"
    assert page.all("p")[0].startswith("DANGER: ")
    calm = Page(render_page(every["one lake"]))
    assert not [attributes for _, attributes in calm.elements if attributes.get("role") == "alert"]


def test_dark_mode_and_no_pictures(every):
    html = render_page(every["one lake"])
    assert "prefers-color-scheme: dark" in html
    assert '<meta name="color-scheme" content="light dark">' in html


def test_the_page_that_stands_alone_carries_its_picture(every, message_of):
    html = standalone_page(message_of(every["one lake"]))
    (image,) = [attributes for tag, attributes in Page(html).elements if tag == "img"]
    assert image["src"].startswith("data:image/png;base64,iVBORw0KGgo")


HOSTILE = [
    "<script>alert(1)</script>", "</td></tr></table><img src=http://x.invalid/>", "{{ 7 * 7 }} {% raw %}",
    "{{ cycler.__init__.__globals__ }}", "' onload=\"alert(1)", "&lt;b&gt;", "Pond -- $x^2$ \\frac{1}{2}",
    "A" * 80, "שלום אגם", "湖の名前", "é̂́̃ Lake", "- \u200d -", "%s {0} {name}", "---",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_only_a_name(name, lake, lake_day, briefed, message_of):
    spots = [{"name": name, "kind": "point", "depth_m": 5.0}]
    plain = briefed(lake_day(lake("thrennick", spot=[spots[0] | {"name": "Reed"}])), lake_day(lake("umberfold")))
    hostile = lake_day(lake("thrennick", name=name, spot=spots))
    brief = briefed(hostile, lake_day(lake("umberfold", name=f"{name[:78]} 2")))
    page, payload = say_the_same(brief)
    assert [tag for tag, _ in page.elements] == [tag for tag, _ in Page(render_page(plain)).elements]
    assert name in [one["name"] for one in payload["lakes"]]
    message = message_of(brief)  # draws the picture too
    assert len(message.pictures) == 1
    assert Page(message.html).elements[0][0] == "html"


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_whatever_is_missing_nothing_reads_nan(data, lake, lake_day, with_columns, trip_hours, briefed, hours):
    """Columns missing everywhere, in the trip hours or here and there; a profile with any of its entries."""
    hourly = hours
    for column in data.draw(st.sets(st.sampled_from(COLUMNS))):
        holes = data.draw(st.sampled_from(["all", "trip", "trip's second half", "every other", "before", "after"]))
        values = hourly[column].copy()
        middle = (trip_hours.start + trip_hours.stop) // 2
        values[{
            "all": slice(None), "trip": trip_hours, "trip's second half": slice(middle, trip_hours.stop),
            "every other": slice(None, None, 2), "before": slice(0, trip_hours.start),
            "after": slice(trip_hours.start + 1, None),
        }[holes]] = np.nan  # fmt: skip
        hourly = type(hourly)(time=hourly.time, columns={**hourly.columns, column: values})
    profile = data.draw(
        st.fixed_dictionaries({}, optional={
            "area_km2": st.just(0.5), "max_depth_m": st.just(9.0), "mean_depth_m": st.just(3.0),
            "secchi_m": st.just(2.0),
            "weed_edge_m": st.just(4.0), "weed_tops_m": st.just(1.5), "weed_cover": st.sampled_from([0.0, 0.5]),
            "water_temp_c": st.just(24.0), "species": st.just(["bluegill", "crappie"]),
            "spot": st.just([
                {"name": "Reed Point", "kind": "point"},
                {"name": "Rush Bay", "kind": "shallow-cover", "depth_m": 1.0, "open_water_bearing_deg": 90},
            ]),
        })
    )  # fmt: skip
    one = lake_day(lake(**profile), hourly=hourly)
    again = lake_day(lake(**profile), hourly=hourly, told_before=render_payload(briefed(one))["lakes"][0])
    units = data.draw(st.sampled_from(list(UnitSystem)))
    brief = briefed(again, lake_day(lake("thrennick"), hourly=hourly), units=units)
    say_the_same(brief)
    for rendering in (render_text(brief), render_page(brief), json.dumps(render_payload(brief), allow_nan=False)):
        for word in ("nan", "NaN", "inf ", "None", "Infinity"):
            assert word not in rendering.replace("unknown", "")
