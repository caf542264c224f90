"""Results as numbers and files: the table, report.json, rasters, outlines and routes.

Uses ``survey``.
"""
