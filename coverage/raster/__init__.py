"""Square cells, counts of passes, polygons around cells, and simpler lines.

Uses ``tracks``, ``gear`` and ``compiled``.
"""
