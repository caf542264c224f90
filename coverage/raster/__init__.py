"""Square cells, counts of passes, and polygons around cells.

Uses ``tracks``, ``gear`` and ``compiled``.
"""
