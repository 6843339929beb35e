"""GLM, the General Lake Model, as a process of its own, on the example lake that its package carries.

GLM is under the GPL. Nothing of it is imported: its program, and the zip file of its example, are used where they lie.

M. R. Hipsey et al., "A General Lake Model (GLM 3.0) for linking with high-frequency sensor data from the Global Lake
Ecological Observatory Network (GLEON)," Geosci. Model Dev., vol. 12, pp. 473-523, 2019 (from memory).
"""

import csv
import io
import json
import resource
import subprocess
import tempfile
import zipfile
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from bitewatch.water.slab import Basin
from bitewatch.weather.daily import Daily, Days
from bitewatch.weather.hourly import Floats
from bitewatch.weather.humidity import saturation_vapour_hpa

SECCHI_TIMES_ATTENUATION = 1.7  #: H. H. Poole and W. R. G. Atkins, J. Mar. Biol. Assoc. UK, vol. 16, 1929 (cited)


@dataclass(frozen=True, kw_only=True)
class Example:
    """The example as GLM has it: every number of the lake is from its namelist, every value of the air from its table.

    The daily table has no air pressure, and our model works out the sky's radiation itself. GLM takes the table's
    radiation times a factor of the namelist; ours takes it as it stands.
    """

    namelist: dict[str, dict[str, Any]]
    table: bytes  #: the CSV file as GLM reads it
    day: Days
    columns: dict[str, Floats]

    @property
    def latitude(self) -> float:
        return float(self.namelist["morphometry"]["latitude"])

    @property
    def longitude(self) -> float:
        return float(self.namelist["morphometry"]["longitude"])

    @property
    def elevation_m(self) -> float:
        return float(self.namelist["morphometry"]["crest_elev"])

    @property
    def max_depth_m(self) -> float:
        height, _ = self._below_crest()
        return float(height[-1] - height[0])

    @property
    def basin(self) -> Basin[float]:
        """Area at the crest, volume below it over that area, and the Secchi depth that goes with the attenuation."""
        height, area = self._below_crest()
        volume = float(np.trapezoid(area, height))
        secchi_m = SECCHI_TIMES_ATTENUATION / float(self.namelist["light"]["kw"])
        return Basin(area_km2=float(area[-1]) / 1e6, mean_depth_m=volume / float(area[-1]), secchi_m=secchi_m)

    @property
    def daily(self) -> Daily:
        """The air, all years of it."""
        moist = self.columns["RelHum"] / 100.0 * saturation_vapour_hpa(self.columns["AirTemp"])
        return Daily(
            day=self.day,
            columns={
                "shortwave_wm2": self.columns["ShortWave"], "air_temp_c": self.columns["AirTemp"], "vapour_hpa": moist,
                "wind_speed_ms": self.columns["WindSpeed"], "pressure_hpa": np.full(self.day.size, np.nan),
            },
        )  # fmt: skip

    @property
    def stretch(self) -> tuple[str, str]:
        """First and last day that the example is meant for."""
        return self.namelist["time"]["start"], self.namelist["time"]["stop"]

    def _below_crest(self) -> tuple[Floats, Floats]:
        shape = self.namelist["morphometry"]
        height, area = np.array(shape["h"]), np.array(shape["a"])
        return height[height <= shape["crest_elev"]], area[height <= shape["crest_elev"]]


@dataclass(frozen=True, kw_only=True)
class Run:
    """What GLM made of a stretch of days."""

    day: Days
    surface_c: Floats  #: at the end of each day
    cpu_s: float  #: processor time of the whole process

    @property
    def cpu_s_per_lake_year(self) -> float:
        return self.cpu_s / (self.day.size / 365.25)


def installed() -> bool:
    """True where the package has a program for this machine."""
    folder = _folder()
    return folder is not None and (folder / "bin" / "glm").is_file()


def example() -> Example:
    """The example out of the package's zip file."""
    folder = _folder()
    assert folder is not None
    with zipfile.ZipFile(folder / "data" / "example_sims" / "sparkling_lake.glmpy") as packed:
        told = json.loads(packed.read("glm_sim.json"))
        (name,) = told["bcs"]
        table = packed.read(f"{name}.csv")
    day, columns = _columns(table.decode(), ("ShortWave", "AirTemp", "RelHum", "WindSpeed"))
    return Example(namelist=told["nml"]["glm"], table=table, day=day, columns=columns)


def run(of: Example, first: str, last: str) -> Run:
    """GLM from one day to another, as its example declares it but for the dates."""
    folder = _folder()
    assert folder is not None
    # 2: from start to stop; with the example's own 3 it ends after 730 days
    namelist = {**of.namelist, "time": {**of.namelist["time"], "timefmt": 2, "start": first, "stop": last}}
    del namelist["time"]["num_days"]
    with tempfile.TemporaryDirectory() as here:  # its results take 16 MB a year
        there = Path(here) / of.namelist["meteorology"]["meteo_fl"]
        there.parent.mkdir()
        there.write_bytes(of.table)
        (Path(here) / "glm3.nml").write_text(_fortran(namelist), "utf-8")
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [str(folder / "bin" / "glm"), "--nml", "glm3.nml"], cwd=here, check=True, capture_output=True, timeout=150
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)  # other work on the machine is not its
        written = (Path(here) / "output" / "lake.csv").read_text("utf-8")
    day, columns = _columns(written, ("Surface Temp",))
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Run(day=day, surface_c=columns["Surface Temp"], cpu_s=cpu_s)


def _folder() -> Path | None:
    spec = find_spec("glmpy")  # finds a package of the top level without running any of it
    return None if spec is None or spec.origin is None else Path(spec.origin).parent


def _columns(text: str, names: tuple[str, ...]) -> tuple[Days, dict[str, Floats]]:
    rows = list(csv.DictReader(io.StringIO(text)))
    day = np.array([row["time"][:10] for row in rows], "datetime64[D]")
    return day, {name: np.array([float(row[name]) for row in rows]) for name in names}


def _fortran(namelist: dict[str, dict[str, Any]]) -> str:
    lines = []
    for block, values in namelist.items():
        given = {name: value for name, value in values.items() if value is not None}
        if given:
            lines += [f"&{block}", *(f"  {name} = {_literal(value)}" for name, value in given.items()), "/"]
    return "\n".join(lines) + "\n"


def _literal(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(map(_literal, value))
    if isinstance(value, bool):
        return ".true." if value else ".false."
    return f"'{value}'" if isinstance(value, str) else repr(value)
