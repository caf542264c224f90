"""The usual way, as a script: what somebody who knows the libraries would write in an afternoon to see a search.

    python tests/benchmarks/analyst.py BOUNDARY SWATH_M CELL_M OUT WALK.gpx...

Reads walks with gpxpy, projects them with pyproj, buffers each by half the swing width with shapely, counts the buffers
on a raster with rasterio, and maps the raster, the walks and the missed ground with folium. It stands alone, so that
bench_command.py can measure it as a whole process. It knows nothing of stops, of outliers, of drift, of lanes that
overlap within one walk, or of how sure any of it is.
"""

import json
import sys
from pathlib import Path

import folium
import gpxpy
import numpy as np
import rasterio
import shapely
from pyproj import Transformer
from rasterio.enums import MergeAlg
from rasterio.features import rasterize, shapes
from rasterio.transform import from_origin

SHADES = np.array([[0, 0, 0, 0], [254, 217, 118, 255], [253, 141, 60, 255], [189, 0, 38, 255]], np.uint8)
LEAST_MISSED_M2 = 0.5

boundary_file, swath_text, cell_text, out_text, *walk_files = sys.argv[1:]
swath_m, cell_m, out = float(swath_text), float(cell_text), Path(out_text)
out.mkdir(exist_ok=True)

# The site, in metres of the projection around its middle.
site_degrees = shapely.geometry.shape(json.loads(Path(boundary_file).read_text(encoding="utf-8")))
middle = site_degrees.centroid
projection = f"+proj=tmerc +lon_0={middle.x} +lat_0={middle.y} +datum=WGS84"
to_metres = Transformer.from_crs("EPSG:4326", projection, always_xy=True)
to_degrees = Transformer.from_crs(projection, "EPSG:4326", always_xy=True)
site = shapely.transform(site_degrees, to_metres.transform, interleaved=False)

# Every walk as a line, and what the coil passed over as its buffer.
lines = []
for name in walk_files:
    gpx = gpxpy.parse(Path(name).read_text(encoding="utf-8"))
    parts = [part for track in gpx.tracks for part in track.segments]
    points = [(point.longitude, point.latitude) for part in parts for point in part.points]
    lines.append(shapely.LineString(np.column_stack(to_metres.transform(*np.array(points).T))))
swept = [line.buffer(swath_m / 2) for line in lines]

# How many walks passed over each cell of the site.
west, south, east, north = site.bounds
rows, columns = int(np.ceil((north - south) / cell_m)), int(np.ceil((east - west) / cell_m))
grid = from_origin(west, north, cell_m, cell_m)
inside = rasterize([site], (rows, columns), transform=grid).astype(bool)
pairs = [(polygon, 1) for polygon in swept]
passes = rasterize(pairs, (rows, columns), transform=grid, merge_alg=MergeAlg.add, dtype="uint8")
passes[~inside] = 0
for times in (1, 2, 3):
    print(f"passed {times} times or more: {100 * (passes >= times).sum() / inside.sum():.1f} %")

with rasterio.open(
    out / "passes.tif", "w", driver="GTiff", width=columns, height=rows, count=1, dtype="uint8", crs=projection,
    transform=grid, compress="deflate",
) as file:  # fmt: skip
    file.write(passes, 1)

# Ground that no walk passed over, as polygons.
missed_cells = (inside & (passes == 0)).astype("uint8")
pieces = [shapely.geometry.shape(piece) for piece, _ in shapes(missed_cells, missed_cells == 1, transform=grid)]
missed = sorted((p for p in pieces if p.area >= LEAST_MISSED_M2), key=lambda piece: -piece.area)
missed_degrees = [
    shapely.transform(piece.simplify(cell_m), to_degrees.transform, interleaved=False) for piece in missed
]
features = [
    {"type": "Feature", "properties": {"area_m2": round(piece.area, 1)}, "geometry": shapely.geometry.mapping(outline)}
    for piece, outline in zip(missed, missed_degrees, strict=True)
]
collection = {"type": "FeatureCollection", "features": features}
(out / "missed.geojson").write_text(json.dumps(collection), encoding="utf-8")
print(f"{len(missed)} missed pieces, {sum(piece.area for piece in missed):.0f} m2")

# The map.
page = folium.Map([middle.y, middle.x], zoom_start=18, max_zoom=22, tiles=None)
lon, lat = to_degrees.transform(*zip((west, south), (east, north), strict=True))
picture = SHADES[np.minimum(passes, 3)]
folium.raster_layers.ImageOverlay(picture, [[lat[0], lon[0]], [lat[1], lon[1]]], name="passes").add_to(page)
folium.GeoJson(site_degrees.__geo_interface__, name="site").add_to(page)
folium.GeoJson(collection, name="missed", tooltip=folium.GeoJsonTooltip(["area_m2"]) if features else None).add_to(page)
for name, line in zip(walk_files, lines, strict=True):
    x, y = shapely.get_coordinates(line.simplify(cell_m)).T
    lon, lat = to_degrees.transform(x, y)
    folium.PolyLine(list(zip(lat, lon, strict=True)), weight=1, tooltip=Path(name).name).add_to(page)
folium.LayerControl().add_to(page)
page.save(out / "map.html")
