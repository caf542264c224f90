"""Recordings joined, cleaned and judged as the walks of one outing.

Uses ``gear`` and everything in ``tracks``.
"""
