"""Files for a GIS: rasters and a GeoPackage, in the site's frame or in any coordinate system with an EPSG number.

Uses ``survey`` and the names and numbers of ``report``.
"""
