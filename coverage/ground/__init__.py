"""Ground swept as recorded: cells of the site, passes, missed ground, ground under the coil.

Uses ``areas``, ``outings`` and ``raster``.
"""
