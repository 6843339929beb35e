"""How much room issues take: invented payloads in the shapes and with the rounding of the providers.

Run by hand: ``python tests/bench/measure_archive.py``. It prints bytes per issue under the compressions of the
standard library with their speed (CPU time), what ten thousand cells asked four times a day take in a year, and how
long it takes to measure and to prune an archive of that shape.
"""

import bz2
import gzip
import json
import lzma
import tempfile
import time
import zlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import insert

from bitewatch.store.migrate import open_store
from bitewatch.weather.archive_room import measure, past_their_time, prune_step
from bitewatch.weather.settings import ArchiveSettings
from bitewatch.weather.tables import issue, payload

START = datetime(2026, 7, 14, tzinfo=UTC)
Air = dict[str, NDArray[np.float64]]


def air(rng: np.random.Generator, hours: int, cells: int) -> Air:
    """Hours of some neighbouring cells: passing weather, a day's cycle, and noise that lasts some hours."""
    hour = np.arange(hours)[None, :]
    shift = rng.uniform(0, 12, (cells, 1))  # the weather reaches each cell at its own time

    def weather() -> NDArray[np.float64]:
        wave = sum(
            rng.normal() * np.sin(2 * np.pi * ((hour - shift) / period + rng.uniform()))
            for period in (170, 110, 75, 43)
        )
        noise = rng.normal(size=(cells, hours))
        for t in range(1, hours):
            noise[:, t] = 0.85 * noise[:, t - 1] + 0.5 * noise[:, t]
        return np.asarray(wave + 0.25 * noise)

    sun = np.maximum(0, np.sin(2 * np.pi * (hour - 11) / 24))
    cloud = np.clip(50 + 45 * weather(), 0, 100)
    wind = np.maximum(0.3, 3.5 + 1.6 * weather())
    rain = np.where((cloud > 85) & (weather() > 0.7), rng.gamma(0.8, 1.2, (cells, hours)), 0.0)
    temp = 19 + 4 * weather() + 5 * np.sin(2 * np.pi * (hour - 14) / 24)
    return {
        "pressure": 1014 + 6 * weather(), "temp": temp,
        "humidity": np.clip(70 - 3 * (temp - 19) + 8 * weather(), 15, 100),
        "wind": wind, "direction": (220 + 70 * weather()) % 360, "gust": wind * 1.7 + 0.4 * abs(weather()),
        "cloud": cloud, "rain": rain, "sun": 850 * sun * (1 - 0.6 * cloud / 100),
        "cape": np.where(weather() > 0.6, 900 * abs(weather()), 0.0),
    }  # fmt: skip


def open_meteo(rng: np.random.Generator, cells: int = 100, hours: int = 336) -> bytes:
    """One answer for many cells, fourteen days each."""
    told, first = air(rng, hours, cells), int(START.timestamp()) - 7 * 86400
    digits = {
        "pressure_msl": ("pressure", 1), "temperature_2m": ("temp", 1), "relative_humidity_2m": ("humidity", 0),
        "wind_speed_10m": ("wind", 2), "wind_direction_10m": ("direction", 0), "wind_gusts_10m": ("gust", 1),
        "cloud_cover": ("cloud", 0), "precipitation": ("rain", 2), "shortwave_radiation": ("sun", 1),
        "cape": ("cape", -1),
    }  # fmt: skip
    whole = ("relative_humidity_2m", "wind_direction_10m", "cloud_cover")
    units = dict.fromkeys(digits, "unit")
    parts = [
        {
            "latitude": 46.125 + n // 10 * 0.1, "longitude": -94.25 + n % 10 * 0.1, "generationtime_ms": 0.41,
            "utc_offset_seconds": 0, "timezone": "GMT", "timezone_abbreviation": "GMT", "elevation": 372.0 + n,
            **({"location_id": n} if n else {}), "hourly_units": {"time": "unixtime", **units},
            "hourly": {
                "time": [first + 3600 * k for k in range(hours)],
                **{
                    name: [int(v) if name in whole else v for v in np.round(told[of][n], places).tolist()]
                    for name, (of, places) in digits.items()
                },
            },
        }
        for n in range(cells)
    ]  # fmt: skip
    return json.dumps(parts if cells > 1 else parts[0], separators=(",", ":")).encode()


def met_norway(rng: np.random.Generator) -> bytes:
    """One cell: 58 steps of an hour, then 24 of six."""
    told = air(rng, 58 + 6 * 24, 1)
    steps = [*range(58), *range(58, 58 + 6 * 24, 6)]
    names = {
        "air_pressure_at_sea_level": "pressure", "air_temperature": "temp", "cloud_area_fraction": "cloud",
        "relative_humidity": "humidity", "wind_from_direction": "direction", "wind_speed": "wind",
    }  # fmt: skip
    series = []
    for at in steps:
        data = {"instant": {"details": {name: round(float(told[of][0, at]), 1) for name, of in names.items()}}}
        for span in (1, 6) if at < 58 else (6,):
            rain = {"precipitation_amount": round(float(told["rain"][0, at : at + span].sum()), 1)}
            data[f"next_{span}_hours"] = {"summary": {"symbol_code": "cloudy"}, "details": rain}  # type: ignore[dict-item]
        data["next_12_hours"] = {"summary": {"symbol_code": "rain"}}  # type: ignore[dict-item]
        series.append({"time": f"{START + timedelta(hours=at):%Y-%m-%dT%H:%M:%SZ}", "data": data})
    meta = {"updated_at": "2026-07-14T04:12:09Z", "units": dict.fromkeys(names, "unit")}
    point = {"type": "Point", "coordinates": [-94.2, 46.1, 372]}
    answer = {"type": "Feature", "geometry": point, "properties": {"meta": meta, "timeseries": series}}
    return json.dumps(answer, separators=(",", ":")).encode()


def nws_grid(rng: np.random.Generator) -> bytes:
    """One cell, layers run-length coded over seven and a half days, most layers empty."""
    told = air(rng, 180, 1)
    layers: dict[str, object] = {f"emptyLayer{n}": {"values": []} for n in range(22)}
    for name, of, places in (
        ("temperature", "temp", 0), ("dewpoint", "temp", 0), ("maxTemperature", "temp", 0), ("heatIndex", "temp", 0),
        ("relativeHumidity", "humidity", 0), ("apparentTemperature", "temp", 0), ("skyCover", "cloud", 0),
        ("windDirection", "direction", -1), ("windSpeed", "wind", 0), ("windGust", "gust", 0),
        ("probabilityOfPrecipitation", "cloud", -1), ("quantitativePrecipitation", "rain", 1),
        ("mixingHeight", "cape", -1),
    ):  # fmt: skip
        values, runs, at = np.round(told[of][0], places), [], 0
        while at < values.size:
            until = at + 1
            while until < values.size and values[until] == values[at]:
                until += 1
            when = f"{START + timedelta(hours=at):%Y-%m-%dT%H:%M:%S+00:00}/PT{until - at}H"
            runs.append({"validTime": when, "value": float(values[at])})
            at = until
        layers[name] = {"uom": "wmoUnit:unit", "values": runs}
    return json.dumps({"type": "Feature", "properties": layers}, indent=4).encode()


CODECS: dict[str, Callable[[bytes], bytes]] = {
    "gzip 9 (now)": lambda body: gzip.compress(body, mtime=0), "zlib 6": lambda body: zlib.compress(body, 6),
    "bz2 9": bz2.compress, "lzma 6": lzma.compress, "lzma 0": lambda body: lzma.compress(body, preset=0),
}  # fmt: skip
UNPACK: dict[str, Callable[[bytes], bytes]] = {
    "gzip 9 (now)": gzip.decompress, "zlib 6": zlib.decompress, "bz2 9": bz2.decompress, "lzma 6": lzma.decompress,
    "lzma 0": lzma.decompress,
}  # fmt: skip


def sizes() -> dict[str, float]:
    """Print the table of sizes; hands back bytes per issue as kept now."""
    rng = np.random.default_rng(1)
    found: dict[str, float] = {}
    samples = {
        "open-meteo, 100 cells": ([open_meteo(rng) for _ in range(3)], 100),
        "open-meteo, 1 cell": ([open_meteo(rng, 1) for _ in range(20)], 1),
        "met-norway, 1 cell": ([met_norway(rng) for _ in range(20)], 1), "nws grid, 1 cell": ([nws_grid(rng)] * 5, 1),
    }  # fmt: skip
    for name, (bodies, cells) in samples.items():
        whole = sum(map(len, bodies))
        print(f"\n{name}: {whole / len(bodies) / cells:,.0f} bytes an issue as received")
        for codec, pack in CODECS.items():
            start = time.process_time()
            packed = [pack(body) for body in bodies]
            packing = time.process_time() - start
            start = time.process_time()
            for one in packed:
                UNPACK[codec](one)
            unpacking = time.process_time() - start
            each = sum(map(len, packed)) / len(bodies) / cells
            found.setdefault(name, each)
            print(
                f"  {codec:<13} {each:>8,.0f} bytes an issue {each / found[name] - 1:>+7.1%}"
                f"   pack {whole / packing / 1e6:>6.1f} MB/s   unpack {whole / unpacking / 1e6:>6.1f} MB/s"
            )
    return found


def year(each: float, cells: int = 10_000, a_day: int = 4) -> None:
    """What a year takes, all of it and as the settings keep it."""
    rules = ArchiveSettings()
    all_of_it = each * cells * a_day * 365.25
    whole = each * cells * a_day * rules.whole_days
    thinned = each * cells * (365.25 - rules.whole_days)
    print(
        f"  {each:,.0f} bytes x {cells:,} cells x {a_day} a day: {all_of_it / 1e9:.1f} GB a year; after a year are kept"
        f" {whole / 1e9:.1f} GB whole ({rules.whole_days} days) and {thinned / 1e9:.1f} GB thinned to one a day"
    )


def pruning(days: int = 120, cells: int = 10_000, a_day: int = 4) -> None:
    """An archive of bodies a hundred cells large, measured and pruned."""
    body = np.random.default_rng(2).bytes(int(300_000 * 0.05))  # a twentieth of the true size, to spare the disk
    now = datetime(2026, 7, 21, 8, tzinfo=UTC)
    with tempfile.TemporaryDirectory() as folder:
        store, number = open_store(Path(folder), now=now), 0
        for day in range(days, 0, -1):
            with store.write() as connection:
                for turn in range(a_day):
                    at = now - timedelta(days=day) + timedelta(hours=turn * 24 / a_day)
                    for chunk in range(cells // 100):
                        number += 1
                        connection.execute(
                            insert(payload).values(
                                id=number, source="open-meteo", url_key=f"q{chunk}", fetched_at=at, confirmed_at=at,
                                body_sha256="0" * 64, body_gz=body,
                            )
                        )  # fmt: skip
                        rows = [
                            {
                                "cell": f"open-meteo:ecmwf_ifs:46.125,-94.25{chunk:03d}{part:02d}",
                                "source": "open-meteo", "model": "ecmwf_ifs", "retrieved_at": at,
                                "payload_id": number, "part": part,
                            }
                            for part in range(100)
                        ]  # fmt: skip
                        connection.execute(insert(issue), rows)
        rules = ArchiveSettings()
        with store.read() as connection:
            start = time.perf_counter()
            room = measure(connection, rules, now)
            took = time.perf_counter() - start
            print(f"\n{room.sources[0].issues:,} issues in {number:,} payloads: measured in {took:.1f} s")
            rows_take = room.file_bytes - room.bytes
            print(f"  what is kept beside the bodies: {rows_take / room.sources[0].issues:.0f} bytes an issue")
        start = time.perf_counter()
        gone = prune_step(store, rules, now)
        print(f"  first pruning: {gone.count:,} payloads in {time.perf_counter() - start:.1f} s")
        start = time.perf_counter()
        with store.read() as connection:
            left = past_their_time(connection, rules, now)
        print(f"  to see that nothing ({len(left)}) is left: {time.perf_counter() - start:.2f} s")
        store.close()


if __name__ == "__main__":
    per_issue = sizes()
    print()
    for kind, size in per_issue.items():
        print(kind)
        year(size)
    pruning()
