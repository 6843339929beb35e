"""What Open-Meteo is asked, for which cells, and which run an answer comes from.

The answers are invented, in the shapes that the provider documents.
"""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import pytest
import responses
from pydantic import SecretStr

from bitewatch.errors import PayloadRefused, SourceRefused
from bitewatch.store.database import Store
from bitewatch.store.migrate import open_store
from bitewatch.weather.sources.acceptance import Reason
from bitewatch.weather.sources.asking import Asker
from bitewatch.weather.sources.base import Asking, Cell, Issue, Place, Received
from bitewatch.weather.sources.http import PoliteClient
from bitewatch.weather.sources.open_meteo import CUSTOMER_URL, OpenMeteo, run_from_meta
from bitewatch.weather.sources.quota import LIMITS, call_weight
from bitewatch.weather.sources.settings import OPEN_METEO_URL, OpenMeteoSettings

DATA = Path(__file__).parents[1] / "data" / "weather"
ONE = (DATA / "open_meteo_one.json").read_bytes()
TWO = (DATA / "open_meteo_two.json").read_bytes()
META = (DATA / "open_meteo_meta.json").read_bytes()  # a run of 18:00, there at 00:55
META_URL = "https://api.open-meteo.com/data/ecmwf_ifs/static/meta.json"
NOW = datetime(2026, 6, 1, 2, 30, tzinfo=UTC)
LAKE_NORTH = Place(lake="north", latitude=46.1, longitude=-94.2)
LAKE_HIGH = Place(lake="high", latitude=45.9, longitude=-93.8, elevation_m=420.4)
NOBODY: Asking = None  # type: ignore[assignment]  # its cells are known without asking
SOURCE = OpenMeteo(OpenMeteoSettings())
NORTH = SOURCE.cell(LAKE_NORTH, NOBODY, now=NOW)
SOUTH = Cell(key="open-meteo:ecmwf_ifs:45.9000,-93.8000,310", latitude=45.9, longitude=-93.8, elevation_m=310.0)


def came(body: bytes, content_type: str = "application/json; charset=utf-8") -> Received:
    return Received(source="open-meteo", url_key="key", fetched_at=NOW, body=body, content_type=content_type)


def read_one(body: bytes = ONE) -> Issue:
    (issue,) = SOURCE.read(came(body), [NORTH])
    return issue


@pytest.fixture
def server() -> Iterator[responses.RequestsMock]:
    with responses.RequestsMock() as mock:
        yield mock


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path, now=NOW)
    yield opened
    opened.close()


@pytest.fixture
def asker(store: Store) -> Iterator[Asker]:
    with PoliteClient("bitewatch (mail@club.example)", backoff_factor=0) as client:
        yield Asker(store, client, limits=LIMITS)


def test_the_question_is_a_form_of_ten_variables_in_our_units() -> None:
    question = SOURCE.question([NORTH])
    form = dict(question.form or {})
    assert len(set(form.pop("hourly").split(","))) == 10  # the eleventh would cost a tenth more
    assert form == {
        "latitude": "46.1000", "longitude": "-94.2000", "elevation": "nan", "past_days": "7", "forecast_days": "7",
        "timezone": "GMT", "timeformat": "unixtime", "wind_speed_unit": "ms", "models": "ecmwf_ifs",
    }  # fmt: skip
    assert (question.url, question.weight) == (OPEN_METEO_URL, 1.0)
    assert question.key == "open-meteo:ecmwf_ifs:7:46.1000,-94.2000"


def test_an_elevation_is_asked_for_where_the_cell_has_one() -> None:
    assert (SOURCE.question([NORTH, SOUTH]).form or {})["elevation"] == "nan,310"


@pytest.mark.parametrize(("variables", "days", "weight"), [(13, 9, 1.3), (13, 365, 33.9), (10, 14, 1.0), (3, 4, 1.0)])
def test_a_call_weighs_what_the_provider_says(variables: int, days: int, weight: float) -> None:
    """The first two are worked examples of the provider's pricing page (open-meteo.com/en/pricing)."""
    assert call_weight(variables, days) == pytest.approx(weight, abs=0.05)


def test_a_hundred_cells_weigh_a_hundred_and_sixteen_days_ahead_more() -> None:
    cells = [replace(NORTH, key=f"{NORTH.key}{n}") for n in range(100)]
    assert SOURCE.question(cells).weight == pytest.approx(100.0)
    far = OpenMeteo(OpenMeteoSettings(forecast_days=16))
    assert far.question(cells).weight == pytest.approx(100 * 23 / 14)


@pytest.mark.parametrize(
    ("url", "host"),
    [
        (OPEN_METEO_URL, CUSTOMER_URL),
        (CUSTOMER_URL, CUSTOMER_URL),
        ("https://own.example/v1/forecast", "https://own.example/v1/forecast"),
    ],
)
def test_a_customers_key_goes_to_the_customers_host_and_nowhere_else(url: str, host: str) -> None:
    question = OpenMeteo(OpenMeteoSettings(url=url), api_key=SecretStr("s3cret")).question([NORTH])
    assert (question.url, (question.form or {})["apikey"]) == (host, "s3cret")
    assert "s3cret" not in question.key
    assert question.key == SOURCE.question([NORTH]).key


@pytest.mark.parametrize(
    ("url", "key", "commercial", "terms"),
    [
        (OPEN_METEO_URL, None, False, "free for non-commercial use; CC BY 4.0"),
        (CUSTOMER_URL, None, False, "free for non-commercial use; CC BY 4.0"),
        (OPEN_METEO_URL, SecretStr("k"), True, "commercial use with the customer key; CC BY 4.0"),
        ("http://127.0.0.1:8080/v1/forecast", None, True, "from a server of one's own; CC BY 4.0"),
        ("https://notopen-meteo.com/v1/forecast", None, True, "from a server of one's own; CC BY 4.0"),
    ],
)
def test_money_may_be_earned_with_a_key_or_a_server_of_ones_own(
    url: str, key: SecretStr | None, commercial: bool, terms: str
) -> None:
    source = OpenMeteo(OpenMeteoSettings(url=url), api_key=key)
    assert (source.commercial_ok, source.terms) == (commercial, terms)


def test_a_key_of_many_places_is_short_and_tells_them_apart() -> None:
    places = [Place(lake=f"lake-{n}", latitude=45 + n / 100, longitude=-94.0) for n in range(100)]
    cells = [SOURCE.cell(place, NOBODY, now=NOW) for place in places]
    key = SOURCE.question(cells).key
    assert len(key) <= 200
    assert key == SOURCE.question(list(cells)).key
    assert key != SOURCE.question(cells[::-1]).key


@pytest.mark.parametrize("count", [0, 101])
def test_no_more_cells_are_asked_for_than_fit(count: int) -> None:
    with pytest.raises(ValueError, match="1 to 100 cells"):
        SOURCE.question([NORTH] * count)


def first_issue(place: Place, height: float | None) -> tuple[Cell, Issue]:
    cell = SOURCE.cell(place, NOBODY, now=NOW)
    return cell, replace(read_one(), grid_latitude=45.875, grid_longitude=-93.75, grid_elevation_m=height)


def test_lakes_of_one_grid_cell_are_asked_once_at_its_centre() -> None:
    other = replace(LAKE_HIGH, lake="other", latitude=45.85, longitude=-93.7, elevation_m=None)
    settled = {SOURCE.settle(place, *first_issue(place, 400.0)).key: place for place in (LAKE_HIGH, other)}
    assert list(settled) == ["open-meteo:ecmwf_ifs:45.875,-93.750"]
    cell = SOURCE.settle(other, *first_issue(other, 400.0))
    assert (cell.latitude, cell.longitude, cell.elevation_m) == (45.875, -93.75, None)


@pytest.mark.parametrize(
    ("height", "shared"), [(470.4, True), (470.5, False), (370.4, True), (370.3, False), (None, False)]
)
def test_a_lake_far_above_or_below_its_grid_cell_is_asked_for_itself(height: float | None, shared: bool) -> None:
    cell = SOURCE.settle(LAKE_HIGH, *first_issue(LAKE_HIGH, height))
    if shared:
        assert cell.key == "open-meteo:ecmwf_ifs:45.875,-93.750"
    else:
        assert cell.key == "open-meteo:ecmwf_ifs:45.9000,-93.8000,420"
        assert (SOURCE.question([cell]).form or {})["elevation"] == "420"


def test_what_is_settled_stays_so() -> None:
    """A height that was asked for comes back as it was asked: it must not be taken for that of the grid cell."""
    own = SOURCE.settle(LAKE_HIGH, *first_issue(LAKE_HIGH, 900.0))
    (again,) = SOURCE.read(came(ONE.replace(b"372.0", b"420.0")), [replace(own, latitude=46.1, longitude=-94.2)])
    assert again.grid_elevation_m is None
    assert SOURCE.settle(LAKE_HIGH, own, again) == own
    shared = SOURCE.settle(LAKE_NORTH, NORTH, read_one())
    assert SOURCE.settle(LAKE_NORTH, shared, read_one()) == shared


def forms(server: responses.RequestsMock) -> list[dict[str, str]]:
    bodies = [call.request.body for call in server.calls if call.request.method == "POST"]
    return [{name: values[0] for name, values in parse_qs(str(body)).items()} for body in bodies]


def test_an_answer_between_two_equal_looks_is_dated_by_its_run(server: responses.RequestsMock, asker: Asker) -> None:
    server.get(META_URL, body=META)
    server.post(OPEN_METEO_URL, body=TWO, content_type="application/json")
    issues = SOURCE.fetch([NORTH, SOUTH], asker, now=NOW)
    assert [issue.reference_time for issue in issues] == [datetime(2026, 5, 31, 18, tzinfo=UTC)] * 2
    assert [call.request.method for call in server.calls] == ["GET", "POST", "GET"]
    assert forms(server)[0]["elevation"] == "nan,310"


def changed(**times: int) -> bytes:
    return json.dumps(json.loads(META) | times).encode()


def test_an_answer_from_the_middle_of_a_change_has_no_date(server: responses.RequestsMock, asker: Asker) -> None:
    server.get(META_URL, body=META)
    server.get(META_URL, body=changed(last_run_initialisation_time=1780272000))
    server.post(OPEN_METEO_URL, body=ONE, content_type="application/json")
    assert SOURCE.fetch([NORTH], asker, now=NOW)[0].reference_time is None


def test_a_run_that_not_all_servers_have_yet_dates_nothing(server: responses.RequestsMock, asker: Asker) -> None:
    just_now = changed(last_run_availability_time=int(NOW.timestamp()) - 300)
    server.get(META_URL, body=just_now)
    server.post(OPEN_METEO_URL, body=ONE, content_type="application/json")
    assert SOURCE.fetch([NORTH], asker, now=NOW)[0].reference_time is None
    assert [call.request.method for call in server.calls] == ["GET", "POST"]
    assert SOURCE.newest_run_at(asker, now=NOW) == NOW + timedelta(minutes=5)


@pytest.mark.parametrize("answer", [{"status": 404}, {"body": b"<html>"}, {"body": b"[]"}, {"status": 500}])
def test_a_server_that_tells_nothing_of_its_runs_is_asked_for_its_hours_all_the_same(
    server: responses.RequestsMock, asker: Asker, answer: dict[str, Any]
) -> None:
    source = OpenMeteo(OpenMeteoSettings(url="https://own.example/v1/forecast"))
    server.get("https://own.example/data/ecmwf_ifs/static/meta.json", **answer)
    server.post("https://own.example/v1/forecast", body=ONE, content_type="application/json")
    assert source.every == timedelta(hours=6)
    assert source.fetch([NORTH], asker, now=NOW)[0].reference_time is None
    asked = len(server.calls)
    assert source.newest_run_at(asker, now=NOW + timedelta(minutes=59)) is None
    assert len(server.calls) == asked
    assert source.every == timedelta(hours=3)
    assert source.newest_run_at(asker, now=NOW + timedelta(minutes=61)) is None
    assert len(server.calls) > asked


def test_what_is_known_of_the_runs_stands_for_a_quarter_of_an_hour(
    server: responses.RequestsMock, asker: Asker
) -> None:
    server.get(META_URL, body=META)
    there = datetime(2026, 6, 1, 1, 5, tzinfo=UTC)  # ten minutes after it was available
    for minutes, calls in ((0, 1), (14, 1), (15, 2)):
        assert SOURCE.newest_run_at(asker, now=NOW + timedelta(minutes=minutes)) == there
        assert len(server.calls) == calls


@pytest.mark.parametrize(
    ("times", "reason"),
    [
        ({"last_run_availability_time": 1780271000, "last_run_initialisation_time": 1780272000}, Reason.WRONG_SHAPE),
        ({"last_run_availability_time": "1780275300"}, Reason.WRONG_SHAPE),
        ({"last_run_initialisation_time": -1}, Reason.WRONG_SHAPE),
        ({"last_run_availability_time": 10**17}, Reason.WRONG_SHAPE),
        ({"last_run_availability_time": 1780282200}, Reason.NOT_YET),
    ],
)
def test_a_run_that_cannot_be_is_refused(times: dict[str, Any], reason: Reason) -> None:
    with pytest.raises(PayloadRefused) as refused:
        run_from_meta(came(changed(**times)))
    assert refused.value.reason == reason


def test_a_wrong_request_is_refused_with_their_reason(server: responses.RequestsMock, asker: Asker) -> None:
    reason = "Cannot initialize WeatherVariable from invalid String value pressure_mls for key hourly"
    server.get(META_URL, status=404)
    server.post(OPEN_METEO_URL, json={"error": True, "reason": reason}, status=400)
    with pytest.raises(SourceRefused, match=reason):
        SOURCE.fetch([NORTH], asker, now=NOW)
