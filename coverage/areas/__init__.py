"""The user's ground: boundary, no-go, blocked, filled and junk areas, read, checked and placed.

Uses ``raster`` and ``outings``.
"""
