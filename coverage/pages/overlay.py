"""Rasters as pictures on the map: their cells in steps, tiles and stripes, a small palette PNG, and the box it fills.

The map is drawn in spherical Mercator. Over a few hundred metres the site frame differs from it by little more than a
scale, so a raster is placed by its box alone; where that would put any cell more than ``PLACED_M`` off, as on large
sites or far from the frame's origin, the raster is warped first.
"""

import base64
import math
import struct
import zlib
from collections.abc import Callable, Sequence

import numpy as np
from rasterio.crs import CRS
from rasterio.enums import Resampling
from rasterio.transform import Affine
from rasterio.warp import reproject

from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pool.ahead import InThreads, one_by_one
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.survey.results import OutingLayer
from fieldcomb.coverage.todo.dug_classes import LEFT
from fieldcomb.tracks.frame import SiteFrame, wrap_lon
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

SHARE_TILE_M = 10.0  # ground shown as one where single strips cannot be placed
STRIPE_M, STRIPES = 0.6, 130  # least width of a stripe, and the most stripes across the site: 3 pixels of a phone
PLACED_M = 0.1
MOST_DRAWN = 6_000_000  # cells of one picture; a larger raster is drawn coarser
MOST_PIXELS = 16_000_000  # of one warped picture: phones refuse to show larger ones
MOST_PACKED_WELL = 1_000_000  # cells
_FILTER_UP, _PALETTE = 2, 3  # PNG's numbers
ROWS_TOLD_APART = 256

# rasterio puts a warning of its own off while it warps, for all threads at once, and brings back what it found before:
# of two that do so together, one has the warning after all.
_WARPING = one_by_one()
_SPHERE_M = 6_378_137.0  # radius of the Mercator sphere that web maps use (EPSG:3857)


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG as a data URI, its south-west and north-east corners (lat, lon), and the cell it was drawn at."""

    url: str
    bounds: tuple[tuple[float, float], tuple[float, float]]
    drawn_m: float
    warped: bool


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What is drawn: every k-th cell of a raster; ``cell_m`` is k cells wide, left and top are its corner."""

    cell_m: float
    left_m: float
    top_m: float
    rows: int
    cols: int

    @property
    def transform(self) -> Affine:
        return Affine(self.cell_m, 0, self.left_m, 0, -self.cell_m, self.top_m)


@dataclass(frozen=True, slots=True)
class _Box:
    """A box in Mercator metres east of the frame's own meridian, so that 180 degrees is nothing special."""

    west: float
    south: float
    east: float
    north: float


class Drawing:
    """Draws pictures beside each other, as many at a time as there are jobs.

    once : passes of all and by coil. Of one outing they are the same as its own, and are drawn once.
    """

    def __init__(self, frame: SiteFrame, once: Sequence[Cells], jobs: int) -> None:
        self._frame, self._once = frame, once
        self._threads = InThreads(jobs)
        self._drawn: list[tuple[Cells, Callable[[], Picture]]] = []

    def begin(self, grid: Grid, cells: Cells, colours: tuple[str, ...]) -> Callable[[], Picture]:
        """Begin to draw a raster as ``raster_picture`` does; calling what is returned gives the picture."""
        for of, picture in self._drawn if colours is legend.PASS_COLOURS else ():
            if of is cells or _same_cells(of, cells):
                return picture
        picture = self._threads.begin(raster_picture, grid, cells, colours, self._frame)
        if any(cells is one for one in self._once):
            self._drawn.append((cells, picture))
        return picture


def _same_cells(one: Cells, other: Cells) -> bool:
    """Whether two rasters are the same; some rows at a time, as the first mostly tell."""
    rows = (slice(row, row + ROWS_TOLD_APART) for row in range(0, len(one), ROWS_TOLD_APART))
    return one.shape == other.shape and all(np.array_equal(one[part], other[part]) for part in rows)


def raster_picture(grid: Grid, cells: Cells, colours: tuple[str, ...], frame: SiteFrame) -> Picture:
    """Draw a raster of small numbers: value n in ``colours[n]``, higher values as the last one, 255 seen through.

    Takes about 2 bytes a cell on top of the raster while it works (4 per drawn cell more when it has to warp).
    """
    sheet, codes = _thin(grid, cells, MOST_DRAWN, len(colours))
    box, off_m = _fit(sheet, frame)
    warped = off_m > PLACED_M
    if warped:
        sheet, codes = _thin(grid, cells, MOST_PIXELS // 4, len(colours))
        codes, box = _warp(sheet, codes, frame, clear=len(colours))
    url = "data:image/png;base64," + base64.b64encode(_png(codes, colours)).decode("ascii")
    return Picture(url, _corners(box, frame), sheet.cell_m, warped)


def _thin(grid: Grid, cells: Cells, most: int, clear: int) -> tuple[_Sheet, Cells]:
    """Take the middle one of every k x k cells, so that at most ``most`` are left; shares stay true on average."""
    k = max(1, math.ceil(math.sqrt(cells.size / most)))
    left_m, _, _, top_m = grid.bounds_m
    table = bytearray(min(code, clear - 1) for code in range(256))
    table[OUTSIDE] = clear
    if k > 1:
        rows = np.minimum(np.arange(0, grid.rows, k) + k // 2, grid.rows - 1)
        cols = np.minimum(np.arange(0, grid.cols, k) + k // 2, grid.cols - 1)
        cells = cells[np.ix_(rows, cols)]
    return _Sheet(grid.cell_m * k, left_m, top_m, *cells.shape), looked_up(table, cells)


def looked_up(table: bytes | bytearray, cells: Cells) -> Cells:
    """Return ``table[cell]`` of each cell; numpy would make eight bytes of each first, and takes ten times as long."""
    return np.frombuffer(cells.tobytes().translate(table), np.uint8).reshape(cells.shape)


def _fit(sheet: _Sheet, frame: SiteFrame) -> tuple[_Box, float]:
    """Return the box that fits the sheet best, and by how much (in metres) the worst place in it is off."""
    at = np.linspace(0, 1, 9)
    x_m = sheet.left_m + at * sheet.cols * sheet.cell_m
    y_m = sheet.top_m - at * sheet.rows * sheet.cell_m
    east, north = _mercator(frame, *np.meshgrid(x_m, y_m))
    # The middle of the range along each edge halves the worst error.
    west_east = [float(edge.min() + edge.max()) / 2 for edge in (east[:, 0], east[:, -1])]
    south_north = [float(edge.min() + edge.max()) / 2 for edge in (north[-1], north[0])]
    off_x = east - (west_east[0] + at[None, :] * (west_east[1] - west_east[0]))
    off_y = north - (south_north[1] - at[:, None] * (south_north[1] - south_north[0]))
    scale = _scale(frame, float(x_m.mean()), float(y_m.mean()))
    return _Box(west_east[0], south_north[0], west_east[1], south_north[1]), float(np.hypot(off_x, off_y).max()) / scale


def _warp(sheet: _Sheet, codes: Cells, frame: SiteFrame, clear: int) -> tuple[Cells, _Box]:
    """Draw the sheet anew in Mercator, nearest cell, with pixels of half a cell at most."""
    at = np.linspace(0, 1, 33)
    x_m = sheet.left_m + at * sheet.cols * sheet.cell_m
    y_m = sheet.top_m - at * sheet.rows * sheet.cell_m
    east, north = _mercator(frame, *np.meshgrid(x_m, y_m))
    scale = min(_scale(frame, float(x), float(y)) for x in x_m[[0, -1]] for y in y_m[[0, -1]])
    pixel = 0.5 * sheet.cell_m * scale
    west, top = float(east.min()) - pixel, float(north.max()) + pixel
    cols = math.ceil((float(east.max()) - west) / pixel) + 1
    rows = math.ceil((top - float(north.min())) / pixel) + 1
    out = np.full((rows, cols), clear, np.uint8)
    with _WARPING:
        reproject(
            codes,
            out,
            src_transform=sheet.transform,
            src_crs=CRS.from_string(frame.proj4),
            dst_transform=Affine(pixel, 0, west, 0, -pixel, top),
            dst_crs=CRS.from_string(_mercator_proj4(frame)),
            resampling=Resampling.nearest,
            init_dest_nodata=False,
            warp_mem_limit=64,
        )
    return out, _Box(west, top - rows * pixel, west + cols * pixel, top)


def _mercator_proj4(frame: SiteFrame) -> str:
    sphere = f"+a={_SPHERE_M:.0f} +b={_SPHERE_M:.0f} +nadgrids=@null"
    return f"+proj=merc {sphere} +lon_0={frame.lon_deg!r} +lat_ts=0 +x_0=0 +y_0=0 +k=1 +units=m +no_defs"


def _mercator(frame: SiteFrame, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Site metres to spherical Mercator (EPSG:3857, its x counted from the frame's meridian)."""
    lon, lat = frame.to_lonlat(x_m, y_m)
    east = np.radians(wrap_lon(lon - frame.lon_deg))
    return _SPHERE_M * east, _SPHERE_M * np.arctanh(np.sin(np.radians(lat)))


def _scale(frame: SiteFrame, x_m: float, y_m: float) -> float:
    """Mercator metres to one metre on the ground, here; about 1 / cos(latitude)."""
    east, _ = _mercator(frame, np.array([x_m - 1, x_m + 1]), np.array([y_m, y_m]))
    _, north = _mercator(frame, np.array([x_m, x_m]), np.array([y_m - 1, y_m + 1]))
    return float(min(np.ptp(east), np.ptp(north))) / 2


def _corners(box: _Box, frame: SiteFrame) -> tuple[tuple[float, float], tuple[float, float]]:
    def lat_lon(east: float, north: float) -> tuple[float, float]:
        lat = math.degrees(math.asin(math.tanh(north / _SPHERE_M)))
        return round(lat, 9), round(frame.lon_deg + math.degrees(east / _SPHERE_M), 9)

    return lat_lon(box.west, box.south), lat_lon(box.east, box.north)


def _png(codes: Cells, colours: tuple[str, ...]) -> bytes:
    """Write codes as a PNG with four bits a pixel; the code after the last colour is seen through.

    Each row is written as what differs from the one above it (filter 2), of which large pictures keep only runs:
    a quarter of the time of a library that writes rows as they are, in half the bytes, and threads do it side by side.
    Source: Portable Network Graphics, third edition (W3C 2025), sections 5, 9 and 11; from memory.
    """
    rows, cols = codes.shape
    packed = np.zeros((rows, 1 + (cols + 1) // 2), np.uint8)
    np.left_shift(codes[:, ::2], 4, out=packed[:, 1:])
    packed[:, 1 : 1 + cols // 2] |= codes[:, 1::2]
    lines = packed.copy()
    lines[1:] -= packed[:-1]
    lines[:, 0] = _FILTER_UP
    level, strategy = (9, zlib.Z_DEFAULT_STRATEGY) if codes.size < MOST_PACKED_WELL else (6, zlib.Z_RLE)
    squeeze = zlib.compressobj(level, zlib.DEFLATED, zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, strategy)
    palette = b"".join(bytes.fromhex(colour[1:]) for colour in colours) + bytes(3)
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", struct.pack(">IIBBBBB", cols, rows, 4, _PALETTE, 0, 0, 0)),
            _chunk(b"PLTE", palette),
            _chunk(b"tRNS", b"\xff" * len(colours) + b"\x00"),
            _chunk(b"IDAT", squeeze.compress(lines.data) + squeeze.flush()),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


# ---------------------------------------------------------------------------------------- cells made ready to be drawn


def striped(cells: Cells, grid: Grid) -> Cells:
    """Draw ground that was heard and left in stripes, wide enough to be seen on a phone that shows all of the site."""
    wide = max(STRIPE_M / grid.cell_m, max(grid.rows, grid.cols) / STRIPES)
    row, col = np.ogrid[: grid.rows, : grid.cols]
    light = ((row + col) // max(1, round(wide))) % 2 == 1
    return np.where((cells == LEFT) & light, np.uint8(len(legend.SEARCHED_COLOURS) - 1), cells)


def in_steps(share: Floats, steps: int) -> Cells:
    """Shares 0 to 1 as numbers of equal steps; what is not part of the site as that."""
    step = np.minimum(np.nan_to_num(share) * steps, steps - 1).astype(np.uint8)
    return np.asarray(np.where(np.isnan(share), np.uint8(OUTSIDE), step))


def in_tiles(share: Floats, grid: Grid) -> Floats:
    """Mean of each tile of 10 m, for all cells in it; tiles lie on whole tens of metres from the frame's origin."""
    x, y = grid.centres()
    col, row = (np.floor(v / SHARE_TILE_M).astype(np.int64) for v in (x, y))
    number = (row.max() - row)[:, None] * (np.ptp(col) + 1) + (col - col.min())[None, :]
    known = ~np.isnan(share)
    total = np.bincount(number[known], weights=share[known], minlength=int(number.max()) + 1)
    cells = np.bincount(number[known], minlength=int(number.max()) + 1)
    return np.where(known, (total / np.maximum(cells, 1))[number], np.nan)


def earlier_passes(passes: Cells, grid: Grid, later: Sequence[OutingLayer]) -> Cells:
    """Return the passes of all outings but these, which have rasters of their own; what is not of the site stays so."""
    earlier = np.empty_like(passes)
    for row in range(0, grid.rows, ROWS_TOLD_APART):
        rows = slice(row, min(row + ROWS_TOLD_APART, grid.rows)), slice(0, grid.cols)
        window, rest = grid.window(rows), passes[rows].astype(np.int16)
        for outing in later:
            if outing.passes is not None and outing.grid is not None:
                part = outing.passes[window.part_of(outing.grid)]
                rest[outing.grid.part_of(window)] -= np.where(part == OUTSIDE, 0, part).astype(np.int16)
        earlier[rows] = np.where(passes[rows] == OUTSIDE, OUTSIDE, np.maximum(rest, 0))
    return earlier
