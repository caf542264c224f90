"""The find record of a site as its owner works on it: collected from marks, changed, listed, and handed over.

Uses ``intake``, ``site`` and ``gis``.
"""
