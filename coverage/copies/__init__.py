"""Copies of a report for people who may know only part of it: what each may say, and the page that says no more.

Uses ``survey``, ``finds``, ``gis`` and ``pages``.
"""
