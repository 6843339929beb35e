"""The picture of what came of foretold fronts."""

import io
import struct
import zlib
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from bitewatch.brief.pictures.verification_plot import draw_verification
from bitewatch.weather.verification import Foretold, How, LeadDay, Passage, Span, verify

T0 = datetime(2026, 6, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
ALWAYS = [[Span(start=T0, end=T0 + timedelta(days=4000))]] * 7


def table(hits: int, misses: int, off_h: float) -> tuple[LeadDay, ...]:
    onsets = [T0 + 100 * n * HOUR for n in range(1, hits + misses + 1)]
    foretold = [
        Foretold(front=n, lead_days=2, onset=at + off_h * HOUR, strength=0.5, seen_at=at)
        for n, at in enumerate(onsets[:hits])
    ]
    return verify(foretold, [Passage(onset=at, strength=0.5, how=How.ARCHIVE) for at in onsets], ALWAYS)


def pixels(png: bytes) -> np.ndarray:
    from matplotlib.image import imread

    return np.asarray(imread(io.BytesIO(png)))[..., :3]


def near(picture: np.ndarray, color: tuple[int, int, int]) -> int:
    return int((np.abs(picture * 255 - np.array(color)).max(axis=-1) < 8).sum())


HIT, MISS = (0, 114, 178), (240, 228, 66)


def test_hits_and_misses_stand_as_high_as_they_are_many() -> None:
    few, many = (pixels(draw_verification(table(hits, 12 - hits, 1.0), "t")) for hits in (3, 9))
    assert 2.2 < near(many, HIT) / near(few, HIT) < 3.6  # the key of the legend has the colour too
    assert near(few, MISS) > near(many, MISS)


def test_the_error_is_drawn_above_the_line_when_it_is_late() -> None:
    late, early = (pixels(draw_verification(table(6, 0, off_h), "t")) for off_h in (6.0, -6.0))
    changed = np.argwhere(np.abs(late - early).max(axis=-1) > 0.5)
    was_late = late[changed[:, 0], changed[:, 1]].max(axis=-1) < 0.5  # the dark ones are the dot of the late
    assert changed[was_late, 0].mean() + 100 < changed[~was_late, 0].mean()


@pytest.mark.parametrize("what", ["nothing", "some"])
def test_it_is_a_png_and_drawn_the_same_each_time(what: str) -> None:
    rows = verify([], [], ALWAYS) if what == "nothing" else table(4, 2, -3.0)
    png = draw_verification(rows, "a$name_with^signs: cold fronts")
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])
    assert (width, height) == (780, 750)
    assert zlib.crc32(png) == zlib.crc32(draw_verification(rows, "a$name_with^signs: cold fronts"))
